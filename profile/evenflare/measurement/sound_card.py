"""The sound card: what plays a sound and records at the same time, and the library that does so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from types import ModuleType
from typing import Protocol

import numpy as np

from evenflare.files import InputError, short
from evenflare.units import FloatArray, read_only


@dataclass(frozen=True)
class Recording:
    """What the inputs heard while a sound was played: (N, inputs), 1 at full scale; whether samples were lost."""

    samples: FloatArray
    lost: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "samples", read_only(self.samples))


class SoundCard(Protocol):
    """Plays and records on one clock."""

    def take(self, played: FloatArray, *, sample_rate: float, output: int, inputs: Sequence[int]) -> Recording:
        """Play a sound (N,), 1 at full scale, on one output and record the inputs, from the first sample to the last.

        output, inputs : channels from 1. Errors: InputError where the card cannot.
        """
        ...


@dataclass(frozen=True)
class Card:
    """A card of this machine, by number or a part of its name; None for the one that the system has chosen."""

    device: int | str | None = None

    def take(self, played: FloatArray, *, sample_rate: float, output: int, inputs: Sequence[int]) -> Recording:
        """As `SoundCard`; interrupted, it falls silent at once."""
        library = _library()
        try:
            samples = library.playrec(
                played.astype(np.float32)[:, None],
                samplerate=round(sample_rate),
                dtype="float32",
                device=self.device,
                output_mapping=[output],
                input_mapping=list(inputs),
                blocking=True,
            )
            status = library.get_status()
        except (library.PortAudioError, ValueError) as error:
            raise InputError(
                f"the sound card: {short(str(error))}. Name another with --device; evenflare capture --devices lists"
                " them, their channels and sample rates"
            ) from error
        finally:
            library.stop()
        # An input that begins a little after the output, as some do, is late, which is told elsewhere; no more.
        lost = bool(status.input_overflow or status.output_underflow or status.output_overflow)
        return Recording(np.asarray(samples, dtype=np.float64), lost)


def sound_card(device: str | None = None) -> SoundCard:
    """A card of this machine. Errors: InputError without the library that reaches it."""
    _library()
    return Card(int(device) if device is not None and device.isdigit() else device)


def devices() -> str:
    """What cards there are, a line each. Errors: InputError without the library that reaches them."""
    library = _library()
    try:
        return str(library.query_devices()) or "no sound card"
    except library.PortAudioError as error:
        raise InputError(f"the sound cards cannot be listed: {short(str(error))}. Check the system's sound") from error


def _library() -> ModuleType:
    try:
        import sounddevice
    except ImportError:
        raise InputError(
            "capture needs the library sounddevice, which is not installed. Install it: pip install"
            " 'evenflare[capture]'"
        ) from None
    except OSError as error:
        raise InputError(
            f"capture needs PortAudio, which the library sounddevice does not find ({short(str(error))}). Install it,"
            " on Debian and Ubuntu: apt install libportaudio2"
        ) from None
    module: ModuleType = sounddevice
    return module

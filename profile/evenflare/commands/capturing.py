"""What `capture` does: sweeps played and recorded, angle by angle, checked, and written under the names of the plan."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from evenflare.commands.watching import SESSION, listed
from evenflare.files import InputError, check_folder, is_file, is_folder, together
from evenflare.measurement.arrivals import peak_over_noise
from evenflare.measurement.deconvolve import deconvolver
from evenflare.measurement.excitation import exponential_sweep, level_of, levels
from evenflare.measurement.loopback import LEAST_ALIKE, STEADY_DB, begun_at, found_in, reference_of
from evenflare.measurement.names import played_beside
from evenflare.measurement.orbits import plane_name
from evenflare.measurement.planned import ReadingPlace, key_of, read_planned
from evenflare.measurement.recorded import recording_faults
from evenflare.measurement.session import places_so_far
from evenflare.measurement.sound_card import Recording, SoundCard
from evenflare.measurement.spoken import stem
from evenflare.measurement.watching import Bench, Verdict
from evenflare.measurement.wav import read_wav, write_wav
from evenflare.units import DEGREE, FloatArray

QUIET_DB = -40.0
"""dB of full scale, at which the way up begins."""
HEADROOM_DB = 3.0
"""Below full scale, above which no step may be expected to take the microphone's input."""
FIRST = "Local codes, the makers' instructions and trained, licensed people come before this page"
"""Above all cautions."""


@dataclass(frozen=True)
class Sweep:
    """A sweep that is to be made: Hz, s, and dB of full scale."""

    lowest: float
    highest: float = 20e3
    duration: float = 4.0
    fade_in: float = 0.05
    fade_out: float = 0.01
    sample_rate: float = 48000.0
    level: float = -12.0


@dataclass(frozen=True)
class Channels:
    """Of the sound card, from 1; `loopback` is an input that is wired to the output, or None."""

    output: int = 1
    microphone: int = 1
    loopback: int | None = None


class Capture:
    """A session that is recorded by a sound card."""

    def __init__(
        self, path: Path, *, sweep: Sweep | None, channels: Channels, tail: float, start: float = QUIET_DB
    ) -> None:
        """`sweep`: what to play where the session has no reference yet. `tail`: s recorded after it.

        start : dB of full scale, the first level.
        Errors: InputError as `read_planned`, and where the session is not one of sweeps with a plan.
        """
        self.path = path / SESSION if is_folder(path) else path
        self.channels, self.tail, self.start = channels, tail, start
        planned = read_planned(self.path, before_reference=True)
        table, reference = planned.table, planned.session.reference
        if table.reference is None:
            raise InputError(
                f'{self.path} [files] kind = "{table.kind}": must be "sweep", which capture plays. Write kind = "sweep"'
                ' and reference = "sweep.wav", or plan with evenflare plan --sweep'
            )
        if not planned.wanted:
            raise InputError(
                f"{self.path} [plan]: missing, and without it nobody knows which angles to take. Add for example"
                " horizontal_deg = [-20, -10, 0, 10, 20], or let evenflare plan --out write it"
            )
        if table.channel not in (None, 1):
            raise InputError(f"{self.path} [files] channel = {table.channel}: capture writes one. Remove it")
        self.wanted = planned.wanted
        others = [file for file in self.wanted.values() if file.suffix.lower() != ".wav"]
        if others:
            raise InputError(
                f"{self.path} [files]: {others[0].name}: must end in .wav, which capture writes. Rename it"
            )
        self.reference = self.path.parent / table.reference
        check_folder(self.reference.parent)
        self.bench: Bench | None = None
        self.verdicts: dict[Path, Verdict] = {}
        if reference is None:
            self._make(sweep)
        else:
            self._go_on(sweep, reference, planned.sample_rate)

    def _make(self, sweep: Sweep | None) -> None:
        if sweep is None:
            raise InputError(
                f"--from-hz: missing, and {self.reference} is not there yet. State the lowest frequency that the driver"
                " may be played at, as in --from-hz 800"
            )
        made = exponential_sweep(
            sweep.duration,
            sweep.lowest,
            sweep.highest,
            fade_in=sweep.fade_in,
            fade_out=sweep.fade_out,
            sample_rate=sweep.sample_rate,
        )
        self.rate, self.level = sweep.sample_rate, sweep.level
        self.played = made * 10.0 ** (0.05 * sweep.level)

    def _go_on(self, sweep: Sweep | None, reference: FloatArray, rate: float | None) -> None:
        """With what the session has been played so far."""
        assert rate is not None
        if sweep is not None:
            raise InputError(
                f"{self.reference}: is there already, and is played again: all readings of a session take one sweep."
                " Leave out the options of the sweep, or take a new folder"
            )
        sent = played_beside(self.reference)
        if is_file(sent) != (self.channels.loopback is not None):
            begun = "with" if is_file(sent) else "without"
            remedy = "Name --loopback-channel" if is_file(sent) else "Leave --loopback-channel out"
            raise InputError(f"{self.path}: was begun {begun} a loopback. {remedy}, or take a new folder")
        self.played, self.rate = read_wav(sent) if is_file(sent) else (reference, rate)
        self.level = level_of(self.played)
        self._set_up()

    def _set_up(self) -> None:
        """Everything that is there, checked."""
        planned = read_planned(self.path)
        self.bench = Bench(planned)
        for file, place in places_so_far(self.path, planned.table).items():
            self.bench.put(file, place)
        self.verdicts = self.bench.verdicts()

    @property
    def levels(self) -> list[float]:
        """From quiet to the sweep's own, dB of full scale."""
        return levels(self.start, self.level)

    def lines(self) -> list[str]:
        """What will be played and taken."""
        last = f", then it is recorded {self.tail:g} s more"
        sweep = f"Sweep: {self.played.size / self.rate:g} s at {self.rate:g} samples a second, {self.level:.0f} dB of"
        steps = ", ".join(f"{each:.0f}" for each in self.levels)
        taken = f"{len(self.wanted) - len(self.pending())} of {len(self.wanted)} are there and good"
        return [
            f"{sweep} full scale{last}",
            f"Levels before the first: {steps} dB",
            f"Readings: {len(self.wanted)}; {taken}",
            *([f"To take: {listed(self.pending())}"] if self.pending() else []),
        ]

    def pending(self) -> list[ReadingPlace]:
        """Readings that are to be taken, or taken again, in order."""
        if self.bench is None:
            return list(self.wanted)
        good = {key_of(p) for file, p in self.bench.places.items() if self.verdicts[file].good}
        return [place for place in self.wanted if key_of(place) not in good]

    def is_there(self, place: ReadingPlace) -> bool:
        """Whether a reading has been taken, good or not."""
        return self.bench is not None and key_of(place) in {key_of(each) for each in self.bench.places.values()}

    def try_level(self, card: SoundCard, level: float, following: float | None) -> tuple[bool, str]:
        """Play the sweep at a level, dB of full scale: whether the following one may be played, and what was heard."""
        played = self.played * 10.0 ** (0.05 * (level - self.level))
        taken = self._record(card, played)
        heard = taken.samples[:, 0]
        peak = level_of(heard)
        words = f"At {level:.0f} dB: the microphone's input peaks at {peak:.0f} dB of full scale"
        if taken.lost:
            return False, f"{words}. The card lost samples: close other programs, and play it again"
        if not np.any(heard):
            return False, f"At {level:.0f} dB: nothing at all from the microphone. Check cable, channel and supply"
        record = deconvolver(played, sample_rate=self.rate)(heard).samples
        above, needed = peak_over_noise(record, sample_rate=self.rate)
        words += (
            f", the sound stands {above:.0f} dB above the noise" if above >= needed else ", no sound above the noise"
        )
        clipped = recording_faults(heard, swept=False, sample_rate=self.rate)
        if clipped:
            return False, f"{words}: {clipped[0].partition('.')[0]}. Turn the microphone's gain down, play it again"
        if following is not None and above >= needed and peak + following - level > -HEADROOM_DB:
            over = peak + following - level + HEADROOM_DB
            return False, f"{words}. {following:.0f} dB would overload it: turn its gain down by {over:.0f} dB or more"
        return True, words

    def take(self, card: SoundCard, place: ReadingPlace) -> Verdict:
        """Record a reading at the sweep's level, and write it under its name; its verdict. What is useless is not kept.

        Errors: InputError where the card cannot, or the file cannot be written.
        """
        file = self.wanted[place]
        taken = self._record(card, self.played)
        if taken.lost:
            return Verdict(False, "the card lost samples, repeat it: close other programs")
        samples, reference = taken.samples[:, 0], None
        if self.channels.loopback is not None:
            back = taken.samples[:, 1]
            first = self.bench is None
            if first and (faults := recording_faults(back, swept=False, sample_rate=self.rate)):
                return Verdict(False, f"loopback {faults[0].partition('.')[0]}, repeat it: turn its gain down")
            known = self.played if first else read_wav(self.reference)[0]
            found = found_in(back, known)
            if found.alike < LEAST_ALIKE:
                inverted = found.alike < -LEAST_ALIKE
                what = "comes back inverted: turn its leads" if inverted else "does not bring the sweep back"
                return Verdict(False, f"the loopback {what}, repeat it: check its cable and --loopback-channel")
            if first:
                reference = reference_of(back, self.played, sample_rate=self.rate)
                found = found_in(back, reference)
            elif abs(found.louder) > STEADY_DB:
                louder = f"{found.louder:+.1f} dB from the reference"
                return Verdict(False, f"the loopback is {louder}, repeat it: a gain was turned, turn it back")
            samples = begun_at(samples, found.first)
        with together():
            if self.bench is None:
                if reference is not None:
                    write_wav(played_beside(self.reference), self.played, sample_rate=self.rate)
                write_wav(self.reference, self.played if reference is None else reference, sample_rate=self.rate)
            write_wav(file, samples, sample_rate=self.rate)
        if self.bench is None:
            self._set_up()
        else:
            self.bench.put(file, place)
            self.verdicts = self.bench.verdicts()
        return self.verdicts[file]

    def _record(self, card: SoundCard, played: FloatArray) -> Recording:
        silent = np.zeros(round(self.tail * self.rate))
        inputs = [each for each in (self.channels.microphone, self.channels.loopback) if each is not None]
        sound = np.concatenate([played, silent])
        return card.take(sound, sample_rate=self.rate, output=self.channels.output, inputs=inputs)

    def summary(self) -> list[str]:
        """What is good, what to repeat and what is missing."""
        bad = [file for file, verdict in self.verdicts.items() if not verdict.good]
        missing = [place for place in self.pending() if not self.is_there(place)]
        lines = [f"{len(self.verdicts) - len(bad)} good, {len(missing)} of {len(self.wanted)} to go"]
        return lines + [f"{stem(file)}: {self.verdicts[file].words}" for file in bad]


def where(place: ReadingPlace) -> str:
    """A direction in words: horizontal +20 degrees, repeat 2."""
    azimuth, off_axis, repeat = place
    degrees = f"{round(off_axis / DEGREE, 3):+g}" if abs(off_axis) > 1e-9 else "0"
    return f"{plane_name(azimuth)} {degrees} degrees" + (f", repeat {repeat}" if repeat > 1 else "")


def cautions() -> list[str]:
    """What to beware of before anything sounds."""
    from evenflare.report.measurement import checklist

    return [FIRST, *checklist.CAUTIONS]

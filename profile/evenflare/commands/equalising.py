"""What `equalise` does: the equaliser of a directivity, its files and its page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from evenflare import files
from evenflare.commands.taking_home import WHAT, write_home
from evenflare.commands.written import Findings
from evenflare.directivity.folder import Stored, read_directivity
from evenflare.directivity.types import Directivity
from evenflare.files import InputError

if TYPE_CHECKING:
    from evenflare.dsp.equalisation import Equalisation, FirWish
    from evenflare.dsp.equaliser import Aim
    from evenflare.dsp.fit import SectionLimits

PAGE = "equaliser.html"


@dataclass(frozen=True)
class EqualiserRequest:
    """What `equalise` is asked for.

    band         : Hz; None at an end for the directivity's own valid band.
    driver       : file of a response on axis, or
    source       : CSV of an acoustic source; at most one of both.
    sample_rates : Hz.
    """

    aim: Aim
    limits: SectionLimits
    wish: FirWish
    band: tuple[float | None, float | None] = (None, None)
    high_pass: float | None = None
    driver: Path | None = None
    source: Path | None = None
    sample_rates: Sequence[int] = ()


@contextmanager
def faults_at(start: str) -> Iterator[None]:
    """What the block cannot do with what was asked, as an InputError that begins with whose fault it is."""
    try:
        yield
    except InputError:
        raise
    except ValueError as error:
        raise InputError(f"{start}{error}") from error


def equalise_command(path: Path, folder: Path, asked: EqualiserRequest, *, command: str) -> Findings:
    """Equalise the directivity at `path` and write everything into `folder`, all or nothing.

    Errors: InputError if the directivity, a file beside it or what is asked for is at fault.
    """
    from evenflare.dsp.equalisation import SAMPLE_RATES, equalise
    from evenflare.dsp.equaliser import valid_band

    stored = read_directivity(path)
    with faults_at(f"{path}: "):
        heard = _with_driver(stored.directivity, asked)
        own = valid_band(heard)
        low, high = (given if given is not None else end for given, end in zip(asked.band, own, strict=True))
        found = equalise(
            heard,
            asked.aim,
            band=(low, high),
            limits=asked.limits,
            high_pass=asked.high_pass,
            wish=asked.wish,
            sample_rates=tuple(asked.sample_rates) or SAMPLE_RATES,
        )
    return _write(found, stored, folder, command=command)


def _with_driver(directivity: Directivity, asked: EqualiserRequest) -> Directivity:
    """The directivity of the driver that is in it, or of the one in a file."""
    from evenflare.design.driver import read_source
    from evenflare.dsp.on_axis import driven, read_on_axis, replaced

    if asked.driver is not None:
        return replaced(directivity, read_on_axis(asked.driver))
    return directivity if asked.source is None else driven(directivity, read_source(asked.source))


def _write(found: Equalisation, stored: Stored, folder: Path, *, command: str) -> Findings:
    from evenflare.dsp.filter_set import of_equaliser
    from evenflare.dsp.filters_file import FILE
    from evenflare.report.filters import equalising, equalising_figures
    from evenflare.report.kit import canvas
    from evenflare.results import equaliser, formats
    from evenflare.results.filters import taps_text
    from evenflare.results.filters_home import plain_wav

    header = [
        f"equaliser for: {stored.name}; id {stored.design_id}",
        f"made even: {equalising.aim_words(found)}",
        f"{equalising.fit_words(found)}. {equalising.boost_words(found)}",
        *(f"left alone: {line}" for line in equalising.left_alone_lines(found)),
        formats.LOUD,
    ]
    units = (
        "units: Hz, dB, degrees, ms; levels re 20 uPa as in the directivity, before and, equalised_, behind the"
        " sections; fir: its latency taken out; left_alone: what interference takes from the aim"
    )
    drawn = equalising_figures.pictures(found)
    written = [
        (FILE, "all filters, what they are for and what they cost; what other commands read"),
        ("coefficients.csv", "second-order sections by sample rate; the header states their signs"),
        *(
            (f"fir_{rate}.{kind}", f"finite impulse response, {found.wish.phase} phase, {rate} Hz{more}")
            for rate in found.made
            for kind, more in (("wav", ", 32-bit float"), ("txt", ", a tap a line"))
        ),
        ("equalised_curves.csv", "correction, and levels before and after"),
        *WHAT,
        (PAGE, "all of it on one page"),
        *((name, "picture") for name in drawn),
    ]
    record = equaliser.record(
        found, name=stored.name, design_id=stored.design_id, directivity=str(stored.path), command=command
    )
    what = f"Equaliser for {stored.name}, from the directivity in {stored.path}."
    with files.together():
        files.write_text(folder / FILE, formats.json_text(record))
        files.write_text(folder / "coefficients.csv", equaliser.coefficients_text(found, header))
        for rate, made in found.made.items():
            with files.replacing(folder / f"fir_{rate}.wav") as temporary:
                temporary.write_bytes(plain_wav(made.taps.taps, rate))
            files.write_text(folder / f"fir_{rate}.txt", taps_text(made.taps, header))
        curves = formats.csv_text(equaliser.columns(found), header=["equalised curves", *header, units])
        files.write_text(folder / "equalised_curves.csv", curves)
        faults = write_home(of_equaliser(found), folder, title=stored.name, header=header, either=True)
        page = equalising.page(found, drawn, title=stored.name, what=what, written=written, command=command)
        files.write_text(folder / PAGE, page)
        for name, figure in drawn.items():
            canvas.save(figure, folder / name)
    lines = [
        f"Made even: {equalising.aim_words(found)}",
        equalising.fit_words(found),
        equaliser.apart_words(found),
        equalising.boost_words(found),
        equalising.outside_words(found),
        equalising.parting_words(found),
        *(f"Left alone: {line}" for line in equalising.left_alone_lines(found)),
        *(f"FIR {equalising.time_words(found, made)}" for made in found.made.values()),
    ]
    return Findings(lines, written, faults)

"""Commands that lead from a directivity to what a listener hears."""

from __future__ import annotations

import argparse

from evenflare.cli.arguments import AddCommand, path
from evenflare.cli.telling import DONE, tell_findings
from evenflare.files import InputError, check_folder

ANY_HZ = (1.0, 200e3)


def add(command: AddCommand) -> None:
    """Their options."""
    equalise = command(
        "equalise",
        "Make an equaliser for a directivity: second-order sections and a finite impulse response",
        "example: evenflare equalise solved --out filters --from-hz 1000 --high-pass-hz 900 --driver driver.txt\n"
        "example: evenflare equalise measured --out filters --aim listening_window --power-share 0.3 --fir mixed\n\n"
        "DIRECTIVITY is a folder that solve or measure wrote, or a SOFA file. One correction serves all directions: a\n"
        "dip of the aim that other directions lack is interference, is left alone, and is listed with its place.\n"
        "writes equaliser.json (all of it; what room and crossover read), coefficients.csv (b0, b1, b2, a1, a2 by\n"
        "sample rate, a0 = 1, a1 and a2 subtracted), fir_RATE.wav (32-bit float) and fir_RATE.txt,\n"
        "equalised_curves.csv, equaliser.html, pictures, and take_home/: all filters for a processor, in floating and\n"
        "fixed point, with a README.txt. Use the sections or the FIR, not both.\n"
        "driver: text or CSV, frequency in Hz, level in dB and, if known, phase in degrees (else it is taken for\n"
        "minimum-phase), on axis of this waveguide. source: CSV with frequency_hz, resistance, reactance (over rho c)\n"
        "and, if wanted, pressure_pa, as in a design file; the directivity must be a prediction for a given velocity.",
    )
    equalise.add_argument("directivity", type=path, metavar="DIRECTIVITY", help="folder of solve or measure, or .sofa")
    equalise.add_argument("--out", type=path, required=True, help="folder for the results, made if missing")
    driver = equalise.add_mutually_exclusive_group()
    driver.add_argument("--driver", type=path, metavar="FILE", help="response on axis, instead of the directivity's")
    driver.add_argument("--source", type=path, metavar="FILE", help="acoustic source behind a predicted waveguide")
    equalise.add_argument(
        "--aim", choices=["on_axis", "listening_window"], default="on_axis", help="direct sound (default on_axis)"
    )
    for name, default, what in (
        ("power-share", 0.0, "0 to 1, share of the sound power's level in the aim (default 0)"),
        ("slope-db-per-octave", 0.0, "of the target, negative: falls (default 0, flat)"),
        ("smoothing", 12.0, "bands per octave that levels are averaged over (default 12)"),
        ("dip-db", 1.0, "a dip from this depth on that other directions lack is left alone (default 1)"),
        ("boost-db", 12.0, "greatest boost allowed, over the mean of the band (default 12)"),
        ("outside-db", 6.0, "greatest boost of the sections outside the band, to either end (default 6)"),
        ("section-gain-db", 12.0, "greatest boost or cut of one section (default 12)"),
        ("fir-ms", 40.0, "length of the finite impulse response (default 40)"),
    ):
        equalise.add_argument(f"--{name}", type=float, default=default, help=what)
    for name, what in (
        ("from-hz", "lowest frequency to equalise (default: lowest valid one)"),
        ("to-hz", "highest frequency to equalise (default: highest valid one)"),
        ("high-pass-hz", "add a fourth-order Linkwitz-Riley high-pass here, two of the sections"),
        ("latency-ms", "of a mixed phase (default a quarter of the length; of a linear phase always half)"),
    ):
        equalise.add_argument(f"--{name}", type=float, help=what)
    equalise.add_argument("--sections", type=int, default=12, help="second-order sections at most (default 12)")
    equalise.add_argument(
        "--fir", choices=["linear", "mixed"], default="linear", help="phase of the finite impulse response"
    )
    equalise.add_argument(
        "--sample-rate-hz",
        type=int,
        action="append",
        metavar="RATE",
        help="may be given again (default 44100, 48000, 96000 and 192000)",
    )


def _equalise(options: argparse.Namespace) -> int:
    from evenflare.commands import equalising
    from evenflare.dsp.equalisation import FirWish
    from evenflare.dsp.equaliser import Aim
    from evenflare.dsp.fit import SectionLimits

    for option, low, high in (
        ("power_share", 0.0, 1.0),
        ("slope_db_per_octave", -6.0, 6.0),
        ("smoothing", 1.0, 96.0),
        ("dip_db", 0.1, 60.0),
        ("boost_db", 0.0, 60.0),
        ("outside_db", 0.0, 60.0),
        ("section_gain_db", 0.1, 60.0),
        ("sections", 1, 40),
        ("from_hz", *ANY_HZ),
        ("to_hz", *ANY_HZ),
        ("high_pass_hz", *ANY_HZ),
    ):
        _check(f"--{option.replace('_', '-')}", getattr(options, option), low, high)
    for rate in options.sample_rate_hz or []:
        _check("--sample-rate-hz", rate, 8000, 768000)
    check_folder(options.out)
    with equalising.faults_at("--fir: "):
        latency = None if options.latency_ms is None else 1e-3 * options.latency_ms
        wish = FirWish(options.fir, 1e-3 * options.fir_ms, latency)
    asked = equalising.EqualiserRequest(
        aim=Aim(options.aim, options.power_share, options.slope_db_per_octave, options.smoothing, options.dip_db),
        limits=SectionLimits(options.sections, options.section_gain_db, options.boost_db, options.outside_db),
        wish=wish,
        band=(options.from_hz, options.to_hz),
        high_pass=options.high_pass_hz,
        driver=options.driver,
        source=options.source,
        sample_rates=options.sample_rate_hz or (),
    )
    done = equalising.equalise_command(options.directivity, options.out, asked, command=options.words)
    tell_findings(done, options.out)
    return DONE


def _check(option: str, value: float | None, low: float, high: float) -> None:
    """InputError unless an option that was given lies from `low` to `high`."""
    if value is not None and not low <= value <= high:
        remedy = "Raise it" if value < low else "Lower it" if value > high else "Correct it"
        raise InputError(f"{option} {value:g}: must be {low:g} to {high:g}. {remedy}")


COMMANDS = {"equalise": _equalise}
"""What each does; the exit code."""

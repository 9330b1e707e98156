"""The command that joins the ways of a loudspeaker."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from evenflare.cli.arguments import AddCommand, path
from evenflare.cli.telling import ANSWER_IS_NO, DONE, NowAndThen, slow, tell_findings
from evenflare.files import check_folder

if TYPE_CHECKING:
    from evenflare.dsp.speaker_places import Solving
    from evenflare.exterior.cabinets import Solved

KEYS = """\
SPEAKER.toml, the least that works, behind evenflare solve best.toml --out solved:
  [waveguide]
  directivity = "solved"            a folder of solve or measure, or a SOFA file, beside this file
  [woofer]
  piston_radius_mm = 80             or directivity = "woofer.sofa"
  below_mm = 220                    centre to centre, negative for above; two woofers: [220, 460]
  beside_mm = 0                     to the right of the waveguide; forward_mm = -40: behind
  [woofer.crossover]                how it parts from the way above it
  kind = "linkwitz_riley"           butterworth, linear_phase, or a list to choose from
  order = 4                         each is 6 dB per octave; or a list, as [2, 4, 8]
  frequency_hz = [900, 2000]        a number, a range to search, or "meet": where the directivity indices meet
Between them [midrange] and [lower_midrange], from the top, with a crossover table of their own: up to four ways.
Every way: equalised_to = "on_axis" (default: level and phase on axis are made flat by an equaliser of its own before
the crossover), "listening_window", or "nothing", with equaliser = "filters" if it has one of evenflare equalise
(equaliser_in_filters = true: its sections become the way's first); delay_ms and gain_db (0; a range is searched),
polarity ("normal", "inverted", or both to choose from; left out: what the slopes want), forward_mm of the baffle.
equaliser_sections = 8 fits that equaliser, at most so long, before the slopes are searched (equaliser_band_hz = [60,
2000], equaliser_boost_db = 12); high_pass_hz and high_pass_order = 4 protect a driver: both are then in the sections of
the way. Pistons: sphere_radius_mm, to radiate all round as from a cabinet of that size; without it they stand in an
infinite baffle, as must the waveguide then. The two do not mix.
[woofer.measured] response = "woofer.txt" (of Hz, dB, degrees, or a WAV; "woofer_{off_axis_deg}.txt": by angle from 0),
distance_m = 1, gate_ms (of a WAV), near_field = "near.txt" with merge_hz, near_distance_mm = 5, arrival = "removed"
(default) or "kept": a lower way's response in its box, with the piston's pattern where no angle was measured.
[cabinet] design = "best.toml", or solid_stl = "cabinet.stl", or width_mm, height_mm, depth_mm, edge_radius_mm ... as in
a design's [mounting]: what all stand in, solved for all pistons at once. Pistons then: below_mm, or x_mm and y_mm from
the middle of their face, right and up as one looks at it, or at_mm = [right, up, forward] from the front's middle; and
face = "front" (default), "back", "left", "right", "top", "bottom", or the direction it looks to as three numbers.
[analysis] from_hz, to_hz, per_octave = 12, distance_m (left out: far field), axis_below_mm = 0 (height of the axis).
[search] power_share = 0.5, seed = 1, from_hz, to_hz (where it is to be even: default two octaves about the crossovers),
heights_mm = [-200, 200] about the axis, distances_m = [2, 4] (where people may be), tilt_weight = 0.5 (of a lobe that
tilts). A null on the axis or where people may be is a fault: exit code 1.
[filters] sample_rates_hz = [44100, 48000, 96000], fir_ms.
How loud it plays, of one driver: level_limit_db; sensitivity_db (1 m, 2.83 V) with impedance_ohm and power_w;
excursion_mm (peak, one way). [woofer.box] alignment = "closed" (frequency_hz, quality) or "vented" (frequency_hz): how
a piston falls off. [whole_range] alignment = "closed", "vented" or "assisted", frequency_hz, quality,
tilt_db_per_octave above tilt_from_hz = 200, from_hz, to_hz, sections = 6, boost_db = 6: what the sum is brought to.
[baffle] width_mm, height_mm: in half space, a quick estimate of the step by a sphere with that front, and the shelf
that takes it back."""


def add(command: AddCommand) -> None:
    """Its options."""
    crossover = command(
        "crossover",
        "Join a waveguide to other drivers: find the crossover, and show what is heard where they part",
        "example: evenflare crossover speaker.toml --out crossed\n\n"
        "searches what is given as a range or a list for the most even listening window and sound power together.\n"
        "writes crossover.json (filters by way and sample rate), coefficients.csv, fir_WAY_RATE.txt for linear-phase\n"
        "slopes, crossover_curves.csv, vertical_lobes.csv, headroom.csv where ways have limits, speaker/ (the\n"
        "directivity of the sum), crossover.html and pictures: ways and sum, index and beamwidth of each part and the\n"
        "sum, vertical lobes, power and its dip, how loud it plays, the sum against its target.\n"
        "A way must be valid wherever its filter lets it be heard above -20 dB.\n\n" + KEYS,
    )
    crossover.add_argument("speaker", type=path, metavar="SPEAKER", help="loudspeaker file (TOML)")
    crossover.add_argument("--out", type=path, required=True, help="folder for the results, made if missing")


def _crossover(options: argparse.Namespace) -> int:
    from evenflare.commands import crossing

    check_folder(options.out)
    with slow(options.quiet, "Searching the crossover: up to a third of a minute, and first the cabinet if it has one"):
        done = crossing.crossover_command(
            options.speaker, options.out, command=options.words, solving=None if options.quiet else way_progress()
        )
    tell_findings(done, options.out)
    return DONE if done.sound else ANSWER_IS_NO


def way_progress() -> Solving:
    """How far the ways in a cabinet are, and what was wrong with what was kept."""
    now_and_then = NowAndThen()

    def say(way: str, solved: Solved) -> None:
        words = f"{solved.done}/{solved.total} frequencies of {way.replace('_', ' ')} in the cabinet, the slowest first"
        now_and_then.say("" if solved.kept else words, solved.fault)

    return say


COMMANDS = {"crossover": _crossover}
"""What each does; the exit code."""

"""`inspect` as a user types it, on invented scans: verdict, exit codes, files, several parts, journal, calibration."""

import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from commandline import DESIGN, contents, said
from evenflare import metrics
from evenflare.commands import inspecting
from evenflare.design.file import design_id, read_design
from evenflare.directivity.folder import read_directivity
from evenflare.manufacture.process.file import read_process
from evenflare.radiation import solver
from evenflare.report.kit import canvas
from evenflare.results.inspection import read_part
from evenflare.waveguide.deviated import WallDeviation, deviated
from evenflare.waveguide.wall_zones import WallTolerance, WallZone
from inspections import invented

pytestmark = pytest.mark.usefixtures("compiled")

POINTS = 3000
ANALYSIS = "[analysis]\nfrom_hz = 1000\nto_hz = 9000\nper_octave = 3\n"
SHARES = tuple(np.linspace(0.0, 1.0, 7).tolist())
WALLS = {
    "good": WallDeviation(offset=2e-6),
    "bad": WallDeviation(
        offset=1e-4,
        bow=6e-4,
        scale=0.004,
        ovality=2e-4,
        shares=SHARES,
        azimuths=(0.0, np.pi / 2),
        waves=tuple((2e-4 * (-1) ** i, 0.0) for i in range(7)),
    ),
}
ZONES = tuple(WallZone(a * 1e-3, b * 1e-3, 1e-4, 2e-4) for a, b in ((0, 30), (30, 80)))


def wall_of(name: str) -> WallDeviation:
    """Of the named part; castings come one after the other, ever more bowed and a little too small."""
    if name in WALLS:
        return WALLS[name]
    number = int(name.removeprefix("casting"))
    return WallDeviation(bow=2e-5 * number, scale=-0.0020 + 1e-4 * (-1) ** number)


@pytest.fixture
def bench(here, monkeypatch):
    """A design, and scans that are told by their names; tolerance.json allows 0.1 dB."""
    (here / "design.toml").write_text(DESIGN + ANALYSIS)
    design = read_design("design.toml")
    monkeypatch.setattr(canvas, "png", lambda _: b"\x89PNG")

    def scanned(design, scan, asked):
        return invented(design.waveguide, wall_of(scan.stem), strays=0.05, count=POINTS)

    def limits(path):
        kinds = {"ovality": 0.3, "tilt": 0.1, "offset": 1.0}
        return WallTolerance(0.1, ZONES, ZONES, 0.95, kinds, design_id(design))

    monkeypatch.setattr(inspecting, "scanned", scanned)
    monkeypatch.setattr(inspecting, "read_limits", limits)
    return here


def inspected(here: Path, folder: str) -> dict:
    return json.loads((here / folder / "inspection.json").read_text())


def test_a_good_part_is_good_enough_and_a_bad_one_is_not(capsys, bench):
    code, out, err = said(capsys, "inspect design.toml good.stl --out good --within-db 0.1 --quiet")
    assert (code, err) == (0, "")
    assert out.startswith("GOOD ENOUGH: its directivity index changes by at most 0.00")
    code, out, _ = said(capsys, "inspect design.toml bad.stl --out bad --within-db 0.1 --quiet")
    assert code == 1
    assert out.startswith("NOT GOOD ENOUGH: ")
    code, out, _ = said(capsys, "inspect design.toml bad.stl --out stated --quiet")
    assert code == 0
    assert out.startswith("No limit was given")
    assert [inspected(bench, each)["within"] for each in ("good", "bad", "stated")] == [True, False, None]


def test_the_part_as_built_sounds_as_the_planted_wall_does(capsys, bench):
    said(capsys, "inspect design.toml bad.stl --out bad --quiet")
    design, wall = read_design("design.toml"), WALLS["bad"]
    # Round parts are solved by their mean meridian: of the two azimuths' waves half, and no ovality.
    mean = tuple((row[0] / 2,) for row in wall.waves)
    planted = deviated(design.waveguide, replace(wall, ovality=0.0, azimuths=(0.0,), waves=mean))
    solve = solver("full")
    index, drawn = (
        metrics.directivity_index(solve(each, design.observation, design.air)) for each in (planted, design.waveguide)
    )
    found = inspected(bench, "bad")
    # inspection.json has nine decimals.
    np.testing.assert_allclose(found["index_part_db"], index, atol=1e-8)
    assert np.abs(index - drawn).max() > 0.1
    assert found["index_worst_db"] == pytest.approx((index - drawn)[np.abs(index - drawn).argmax()], abs=1e-8)
    assert found["index_rms_db"] == pytest.approx(np.sqrt(np.mean((index - drawn) ** 2)), abs=1e-8)
    again = read_design("bad/as_built.toml")
    heard = solve(again.waveguide, again.observation, again.air)
    # The march goes by the drawn wall's angle where it knows one, in a file of points by that of the waves, here of
    # 0.1 mm: 0.012 dB apart at 8 kHz, where the part changes the index by ten times as much.
    np.testing.assert_allclose(metrics.directivity_index(heard), found["index_part_db"], atol=0.03)
    stored = read_directivity(Path("bad/as_built"))
    assert stored.design_id == design_id(again)
    # directivity.csv has four decimals of a level.
    np.testing.assert_allclose(metrics.directivity_index(stored.directivity), found["index_part_db"], atol=1e-3)


def test_every_deviation_stands_with_its_standard_error(capsys, bench):
    said(capsys, "inspect design.toml bad.stl --out bad --quiet")
    found, wall = inspected(bench, "bad"), WALLS["bad"]
    assert found["scale"] == pytest.approx(1.004)
    assert found["bow_mm"] == pytest.approx(0.6)
    assert found["offset_mm"] == pytest.approx(0.1)
    for key in ("scale_standard_error", *(f"{each}_standard_error_mm" for each in ("offset", "bow", "ovality"))):
        assert found[key] > 0.0
    for key in ("rms", "worst", "waviness"):
        assert {f"{key}_mm", f"{key}_standard_error_mm"} < set(found)
    assert found["points_used"] + found["points_left_out"] == POINTS
    assert found["points_left_out"] == pytest.approx(150, abs=42)  # 5 %; binomial, 3.5 deviations
    assert found["index_worst_standard_error_db"] > 0.0
    part, zones, _ = read_part(bench / "bad")
    assert part.kinds["bow"].value == pytest.approx(wall.bow)
    assert len(zones) == 10
    rows = (bench / "bad" / "deviations.csv").read_text().splitlines()
    assert rows[3] == "x_mm,y_mm,z_mm,share,azimuth_deg,off_mm,used"
    assert len(rows) == 4 + POINTS


def test_tolerance_gives_zones_a_limit_and_what_kinds_cost(capsys, bench):
    code, out, _ = said(
        capsys, "inspect design.toml bad.stl --out bad --tolerance tolerance.json --process router --quiet"
    )
    assert code == 1
    assert "0.1 dB allowed" in out
    assert "Tolerance zones: OUTSIDE" in out
    assert "mm allowed by the process: OUTSIDE" in out
    # 0.3 dB per mm of 0.2 mm.
    assert "Ovality: +0.200 ± 0.0020 mm; by itself about 0.06 dB of index" in out
    assert "Bow: +0.600 ± 0.0020 mm; by itself it moves the index by at most" in out
    found = inspected(bench, "bad")
    assert [each["state"] for each in found["zones"]] == ["outside", "outside"]
    assert found["profile_allowed_mm"] == pytest.approx(2e3 * read_process("router").tolerance)
    page = (bench / "bad" / "report.html").read_text()
    assert page.index("NOT GOOD ENOUGH") < page.index("<h2")
    assert '"cells":[' in page
    assert "script-src 'sha256-" in page
    code, out, _ = said(
        capsys, "inspect design.toml bad.stl --out wide --tolerance tolerance.json --within-db 30 --quiet"
    )
    assert code == 0
    assert "GOOD ENOUGH" in out


def test_zones_of_another_design_are_a_warning(capsys, bench):
    (bench / "other.toml").write_text((DESIGN + ANALYSIS).replace("= 80", "= 81"))
    _, _, err = said(capsys, "inspect other.toml good.stl --out good --tolerance tolerance.json --quiet")
    assert "was worked out for the design" in err


def test_target_scores_the_part_beside_the_drawing(capsys, bench):
    code, out, _ = said(capsys, "inspect design.toml bad.stl --out bad --target target.toml --quiet")
    assert code == 0
    found = inspected(bench, "bad")
    assert found["part_score_db"] != found["nominal_score_db"]
    assert f"Score by the target: {found['part_score_db']:.3f} dB as built" in out
    assert found["frequencies_hz"] == pytest.approx([1500, 4000])


def test_castings_say_what_drifts_and_which_contraction_the_pattern_should_have_had(capsys, bench):
    said(capsys, "inspect design.toml casting1.stl --out casting1 --quiet")
    rest = " ".join(f"casting{number}.stl" for number in range(2, 7))
    words = f"inspect design.toml casting1 {rest} --out parts --process casting --within-db 30 --quiet"
    code, out, err = said(capsys, words)
    assert code == 0
    assert out.startswith("ALL GOOD ENOUGH: 5 of 5 parts")  # the first was inspected without a limit
    assert "6 parts are few" in err
    assert "Zones that drift from part to part: z = " in out
    data = json.loads((bench / "parts" / "parts.json").read_text())
    assert data["charts"]["bow_mm"]["slope_per_part"] == pytest.approx(0.02)
    assert data["charts"]["bow_mm"]["mean"] == pytest.approx(0.07)
    assert data["charts"]["bow_mm"]["upper_limit"] == pytest.approx(0.07 + 3 * 0.02 / 1.128)
    # The castings are 0.998 times as large as drawn, of a pattern 1.013 times as large: 1.013 / 0.998.
    wanted = 1.013 / 0.998 - 1.0
    assert data["contraction"]["contraction_percent"] == pytest.approx(100 * wanted, abs=1e-6)
    table = (bench / "parts" / "report.html").read_text().split('<h2 id="part-2">Parts</h2>')[1].split("</table>")[0]
    cells = re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", table)
    assert cells[:3] == ["Part", "Scale", "Offset, mm"]
    row = cells[len(cells) // 7 :][: len(cells) // 7]
    assert re.fullmatch(r"0\.99[78]\d\d\(\d+\)", row[1])
    # Of 60 rem; a digit takes about half of one, and the space between columns one.
    assert len("".join(row)) * 0.55 + len(row) <= 60.0

    process = read_process(bench / "parts" / "process.toml")
    assert process.casting.contraction == pytest.approx(wanted, abs=1e-6)  # four decimals of a percent
    assert process.accuracy.scale_bias == 0.0  # the contraction took it away
    assert process.accuracy.scale_spread == pytest.approx(
        np.std([1e-4, -1e-4] * 3, ddof=1), rel=0.2
    )  # less the scans' own
    assert process.accuracy.source.startswith("measured: 6 parts")
    rows = [line for line in (bench / "parts" / "parts.csv").read_text().splitlines() if not line.startswith("#")]
    assert [row.split(",")[1] for row in rows] == ["part", *(f"casting{number}" for number in range(1, 7))]
    wanted = {"casting2/inspection.json", "casting6/report.html", "control_charts.png", "zone_charts.png"}
    assert wanted < set(contents(bench / "parts"))


def test_a_part_found_wanting_makes_the_answer_no(capsys, bench):
    code, out, _ = said(capsys, "inspect design.toml good.stl bad.stl --out parts --within-db 0.1 --quiet")
    assert code == 1
    assert out.startswith("NOT ALL GOOD ENOUGH: 1 of 2 parts; not: bad")


def test_one_casting_corrects_the_contraction_alone(capsys, bench):
    _, out, _ = said(capsys, "inspect design.toml casting2.stl --out one --process casting --quiet")
    assert "Contraction that the pattern should have had: 1.493 %" in out  # 1.013 / 0.9981
    process = read_process(bench / "one" / "process.toml")
    assert process.casting.contraction == pytest.approx(1.013 / 0.9981 - 1.0, abs=1e-6)
    assert process.accuracy == read_process("casting").accuracy


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("design.toml good.stl --within-db 0", "--within-db 0: must be above 0"),
        ("design.toml good.stl --probe-radius-mm -1", "--probe-radius-mm -1: must be 0 to 20"),
        ("design.toml empty good.stl", "empty: holds no inspection.json"),
        ("other.toml good good.stl", "good: is of the design"),
        ("design.toml good", "good: is the only part"),
        ("design.toml good zoned", "zoned: was inspected by other zones than good"),
        ("design.toml good.stl --process castin", "Did you mean casting?"),
    ],
)
def test_what_cannot_be_is_refused(capsys, bench, line, message):
    (bench / "empty").mkdir()
    (bench / "other.toml").write_text((DESIGN + ANALYSIS).replace("= 80", "= 81"))
    if " good " in f"{line} " or "zoned" in line:
        said(capsys, "inspect design.toml good.stl --out good --quiet")
    if "zoned" in line:
        said(capsys, "inspect design.toml good.stl --out zoned --tolerance t.json --quiet")
    code, _, err = said(capsys, f"inspect {line} --out out --quiet")
    assert code == 2
    assert message in err


def test_journal_takes_inspections_and_reads_journals_of_before(capsys, bench):
    assert said(capsys, "journal log.sqlite add --design design.toml")[0] == 0
    said(capsys, "inspect design.toml bad.stl --out bad --quiet")
    assert said(capsys, "journal log.sqlite add --design design.toml --inspection bad")[0] == 0
    assert said(capsys, "journal log.sqlite add --design design.toml --inspection bad/inspection.json")[0] == 0
    listed = said(capsys, "journal log.sqlite list")[1].splitlines()
    assert ", part " not in listed[0]
    assert "mm off and" in listed[1]
    table = said(capsys, "journal log.sqlite export")[1].splitlines()
    head, row = table[-4].split(","), table[-2].split(",")
    found = inspected(bench, "bad")
    assert float(row[head.index("part_rms_mm")]) == pytest.approx(found["rms_mm"], rel=1e-5)  # six digits
    assert float(row[head.index("part_scale")]) == pytest.approx(1.004)
    assert "Inspection: " in said(capsys, "journal log.sqlite export --text")[1]
    code, _, err = said(capsys, "journal log.sqlite add --design design.toml --inspection design.toml")
    assert code == 2
    assert "design.toml line 2: is not JSON" in err


def test_calibrate_starts_from_the_inspected_wall(capsys, bench):
    (bench / "design.toml").write_text(DESIGN + "exit_half_angle_deg = 6\n" + ANALYSIS.replace("9000", "14000"))
    said(capsys, "inspect design.toml bad.stl --out bad --quiet")
    # What is heard of the part as it was built, by a driver that is not as stated.
    text = (bench / "bad" / "as_built.toml").read_text()
    assert "exit_half_angle_deg = 6.0" in text
    (bench / "truth.toml").write_text(text.replace("exit_half_angle_deg = 6.0", "exit_half_angle_deg = 9.0"))
    assert said(capsys, "solve truth.toml --out measured --quiet")[0] == 0
    words = "calibrate design.toml measured --fit angle --quiet"
    assert said(capsys, f"{words} --out drawn")[0] in (0, 1)
    code, out, _ = said(capsys, f"{words} --wall bad --out known")
    assert code == 0
    assert "The wall is the part's as it was inspected, bad; growth and bow are not fitted" in out
    known, drawn = (tomllib.loads((bench / each / "calibrated.toml").read_text()) for each in ("known", "drawn"))
    assert known["of"]["wall"] == "bad"
    assert "wall" not in drawn["of"]
    # The same solver made the measurement: with the wall known nothing is left but the angle, which the expectation of
    # 6 +- 3 draws by (0.89 / 3)^2 of 3 degrees at the noise that a solver is trusted with. By the drawn wall: 5 +- 5.
    angles = [each["fitted"]["exit_half_angle_deg"] for each in (known, drawn)]
    assert angles[0]["value"] == pytest.approx(9.0, abs=0.4)
    assert angles[0]["standard_error"] < 0.5 * angles[1]["standard_error"]
    assert known["deviation"]["held_out_after"]["rms_db"] < 0.3 * drawn["deviation"]["held_out_after"]["rms_db"]
    code, _, err = said(capsys, f"{words} --fit bow --wall bad --out twice")
    assert code == 2
    assert "--fit profile_bow_mm: is known from --wall bad" in err
    (bench / "other.toml").write_text((DESIGN + ANALYSIS).replace("= 80", "= 81"))
    code, _, err = said(capsys, "calibrate other.toml measured --wall bad --out other --quiet")
    assert code == 2
    assert "--wall bad: inspection.json is of the design" in err

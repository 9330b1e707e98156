"""The page of a result: its one file, its words, and the rows of its key numbers."""

import dataclasses
import re
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

import evenflare
from evenflare import words
from evenflare.commands import designs, searching
from evenflare.design.file import Design, default_observation
from evenflare.objective import Score
from evenflare.report.waveguide import drawing, page, rows
from evenflare.search import SearchResult
from evenflare.search.race import FamilyOutcome
from evenflare.search.worker import Outcome
from evenflare.studies.verdict import verdict
from evenflare.units import DEGREE, MILLIMETRE
from evenflare.waveguide import Driver, Limits, Mounting, Waveguide, limit_excess
from reports import AIR, WAVEGUIDE, Page, history, piston, shape_page, target
from shapes import through

# But for the whole page, which is made before any test and holds its pictures as they are.
pytestmark = pytest.mark.usefixtures("unpainted")


def test_deviation_is_that_of_the_index_which_the_target_names() -> None:
    directivity = piston(step_deg=1.0)
    frequency = directivity.observation.frequency
    inside = (frequency >= 1000) & (frequency <= 10000)
    deviation = rows.index_deviation(directivity, target())
    np.testing.assert_array_equal(np.isfinite(deviation), inside)
    # Ring zones of one degree, and straight pieces between 40 wanted values.
    np.testing.assert_allclose(deviation[inside], 0.0, atol=0.05)
    # The two-orbit index of a narrow beam reads lower by half a dB and more.
    assert np.nanmin(rows.index_deviation(directivity, target("sound_power"))) < -0.5


def test_page_says_where_the_index_leaves_the_band() -> None:
    def said(offset: float) -> str:
        text = page.report(
            WAVEGUIDE,
            name="n",
            design_id="1",
            what="",
            command="",
            directivity=piston(step_deg=1.0),
            target=target(offset=offset),
        )
        return " ".join(Page(text).words.split())

    assert "stays inside the target's band" in said(0.0)
    wrong = said(2.0)
    # The highest frequency below 10 kHz is 15 / 50^(3/24) = 9.199 kHz, where the offset is 2 log10(9.199) = 1.93 dB.
    assert re.search(r"leaves the target's band at \d+ of \d+ frequencies, most at 9.2 kHz \(−1.9\d dB, wider", wrong)
    assert "largest −1.9" in wrong


@pytest.fixture(scope="module")
def whole_page() -> str:
    limits = Limits(depth=(40 * MILLIMETRE, 80 * MILLIMETRE), mouth_diameter=(0.15, 0.26))
    terms = {"index_db": 0.6, "beamwidth_db": 0.3, "smoothness_angle_db": 4.0, "throat_reflection_db": 0.1}
    found = Score(0.52915, terms, limit_excess(WAVEGUIDE, limits))
    return page.report(
        WAVEGUIDE,
        name="third <b>try</b> & more",
        design_id="7f3a",
        what="Best waveguide of a search. Demo data of an invented workshop.",
        command="evenflare search even.toml --out 'run <1>'",
        directivity=piston(),
        target=target(limits=limits),
        # sqrt((0.6^2 + 0.5 x 0.3^2) / 1.5 + (0.05 x (4 - 2))^2)
        score=found,
        verdict=verdict(piston(), found, target(offset=2.0, limits=limits)),
        steps=[("Ask for <more>", "evenflare search 'even & odd.toml' --out run --candidates 600")],
        tip_below_throat=1.39 * MILLIMETRE,
        history=history(),
        families=[
            page.FamilyResult("conical", 0.9, 0.95, 300, 5),
            page.FamilyResult("free", 0.5, 0.537, 1200, 200),
            page.FamilyResult("tractrix", None, None, 299, 0, "no member keeps the limits"),
            page.FamilyResult("exponential", 1.2, None, 298, 0),
        ],
        written=[("solid.stl", "the solid, mm")],
    )


def test_page_begins_with_the_answer_and_what_to_do_next(whole_page: str) -> None:
    words = " ".join(Page(whole_page).words.split())
    answer, next_steps, numbers = (
        words.index(each) for each in ("Is the target met?", "What to do next", "Key numbers")
    )
    assert answer < next_steps < numbers
    told = words[answer:numbers]
    assert "The target is not met: index and beamwidth leave the tolerance; 1 limit is broken." in told
    assert re.search(
        r"Index: outside the tolerance at \d+ of \d+ scored frequencies, \d+ of them among the target's own 40", told
    )
    assert re.search(r"Beamwidth: outside the tolerance at \d+ of .* worst \d+° instead of \d+° at", told)
    assert "Ask for <more>: evenflare search 'even & odd.toml' --out run --candidates 600" in told
    assert "a longer search will pay" not in words  # seven candidates say nothing of that


def test_page_is_one_file_with_its_pictures_inside_and_no_way_out(whole_page: str) -> None:
    parsed = Page(whole_page)
    assert parsed.open == []
    assert "://" not in whole_page
    assert not any(tag in ("link", "iframe", "a") for tag, _ in parsed.tags)
    assert [attributes for tag, attributes in parsed.tags if tag == "script"] == [
        {"type": "application/json", "id": "view-data"},
        {},
    ]
    pictures = [attributes for tag, attributes in parsed.tags if tag == "img"]
    assert len(pictures) == 8
    for attributes in pictures:
        assert (attributes["src"] or "").startswith("data:image/png;base64,iVBOR")
        assert len(attributes["alt"] or "") > 20
        assert int(attributes["width"] or 0) > 300
    assert not any((attributes.get("src") or "data:").startswith("data:") is False for _, attributes in parsed.tags)


def test_page_escapes_what_others_wrote(whole_page: str) -> None:
    assert not any(tag == "b" for tag, _ in Page(whole_page).tags)
    assert "third &lt;b&gt;try&lt;/b&gt; &amp; more" in whole_page
    assert "run &lt;1&gt;" in whole_page


def test_page_says_what_a_designer_needs(whole_page: str) -> None:
    text = " ".join(Page(whole_page).words.split())
    for needed in (
        "Design id 7f3a",
        "Score 0.529 dB",
        # Depth 90 against at most 80.
        "0.413 dB better than the best published family, conical",
        "Limits: breaks depth, mm by 10.",
        "Limit Value Allowed Margin depth, mm 90.00 40 to 80 −10.00, broken",
        "throat diameter mismatch, mm 0.00 at most 0.2 +0.20",
        "smallest wall angle, degrees 0.00 at least 0 0.00",
        "free 0.500 1200 0.537 200 winner",
        "conical 0.900 300 0.950 5 0.413",
        "exponential 1.200 298 – 0 –",
        "tractrix no member keeps the limits (299 tried)",
        # 0.24, 0.03 and 0.01 of 0.28 squared dB in all.
        "index 0.600 0.454",
        "beamwidth 0.300 0.057",
        "smoothness over angle 4.000 0.019",
        "throat reflection 0.100 0.000",
        "score 0.529",
        "passes the throat plane by 1.39 mm",
        # A flat exit and a wall that begins parallel to the axis.
        "Joint at the throat wall goes on as the exit",
        "12.70 mm, round the axis at the throat",
        "Shapes that break a limit have no score and no point",
        # 25.4 mm exit at 343.2 m/s: 1.8412 c / (2 pi r) and 3.8317 c / (2 pi r).
        "Below 7.92 kHz",
        "below 16.5 kHz",
        "infinite baffle",
        "Local codes",
        "evenflare search even.toml --out 'run <1>'",
        "invented",
        f"evenflare {evenflare.__version__}",
        "solver closed form",
        "bands to, Hz modes 1235 6 14010 9",
    ):
        assert needed in text, needed


def test_page_of_a_shape_alone_and_on_a_sphere() -> None:
    waveguide = dataclasses.replace(WAVEGUIDE, mounting=Mounting(150 * MILLIMETRE))
    parsed = Page(page.report(waveguide, name="shape", design_id="1", what="An export.", command="evenflare export"))
    # Shape in space, and profile.
    assert sum(tag == "img" for tag, _ in parsed.tags) == 2
    assert "rigid sphere of radius 150.0 mm" in parsed.words
    assert "front is flat and its body a cylinder" in parsed.words
    for absent in ("Families compared", "Limits", "Keeps all limits", "Score"):
        assert absent not in parsed.words
    assert "cylinder" not in shape_page(WAVEGUIDE)


def test_families_that_keep_no_limit_or_were_not_reached_have_a_row(monkeypatch: pytest.MonkeyPatch) -> None:
    columns = ("family", "stage", "feasible", "score")
    found = [
        *(("conical", "screen", 1, 2.0), ("conical", "screen", 1, 3.0), ("conical", "full", 1, 2.1)),
        *(("tractrix", "screen", 0, None), ("tractrix", "screen", 0, None)),
        ("hyperbolic", "screen", 0, None),
    ]
    closest = {
        "conical": Outcome(2.0, True, {}, {"depth_mm": -1.0}, {}, ""),
        "tractrix": Outcome(None, False, {}, {"depth_mm": 3.0}, {}, "breaks depth_mm by 3"),
        "hyperbolic": Outcome(None, False, {}, {}, {}, "the wall meets the axis"),
    }
    monkeypatch.setattr(searching, "history_rows", lambda _: [dict(zip(columns, row, strict=True)) for row in found])
    monkeypatch.setattr(searching, "nearest", lambda _: closest)
    standings = [
        FamilyOutcome(family, tried, None, (("a look from its middle", end),) if tried else ())
        for family, tried, end in (
            ("conical", 2, "settled"),
            ("tractrix", 2, ""),
            ("hyperbolic", 1, ""),
            ("free", 0, ""),
        )
    ]
    results = searching.family_results(cast(SearchResult, SimpleNamespace(families=standings)), Path())
    assert [each.why for each in results] == [
        "",
        "no member keeps the limits; the nearest breaks depth_mm by 3",
        "no member can be solved: the wall meets the axis",
        "not reached",
    ]
    assert results[0] == page.FamilyResult("conical", 2.0, 2.1, 2, 1, ended="a look from its middle: settled")
    text = shape_page(WAVEGUIDE, families=results)
    assert "conical 2.000 2 2.100 1 winner a look from its middle: settled" in text
    assert "tractrix no member keeps the limits; the nearest breaks depth_mm by 3 (2 tried)" in text
    assert "free not reached (0 tried)" in text


def test_export_tells_its_facts_beside_the_file_names_and_no_limits(tmp_path: Path) -> None:
    evenflare.write_design(Design("n", WAVEGUIDE, AIR, default_observation(WAVEGUIDE)), tmp_path / "design.toml")
    written = dict(
        designs.export_command(tmp_path / "design.toml", tmp_path / "out", designs.Cut(), "evenflare export").written
    )
    assert re.search(r"\d+ triangles, \d{3,4} cm³, outside diameter 222.0 mm", written["solid.stl"])
    assert re.search(r"tool radius 3 mm \(at most 12.7\), lowest program_z -9\d\.\d{3} mm", written["points.csv"])
    text = " ".join(Page((tmp_path / "out" / "report.html").read_text()).words.split())
    # The tip of a 3 mm ball on a wall along the axis at the throat is a radius below its contact.
    assert "passes the throat plane by 3.00 mm" in text
    for absent in ("Keeps all limits", "at most 0.2", "{", "0.003"):
        assert absent not in text.partition("Key numbers")[2]
    assert written["solid.stl"] in text


def test_page_without_a_broken_limit_says_so() -> None:
    text = page.report(WAVEGUIDE, name="n", design_id="1", what="", command="", target=target())
    assert "Keeps all limits." in text
    assert ", broken" not in text


def test_limits_table_agrees_with_the_limits_themselves() -> None:
    kept = Limits(depth=(0.1, 0.2), smallest_concave_radius=0.02, greatest_wall_angle=80 * DEGREE)
    excess = limit_excess(WAVEGUIDE, kept)
    found = rows.limits(WAVEGUIDE, kept)
    assert [row.label for row in found] == [words.unit_apart(name) for name in excess]
    for row, over in zip(found, excess.values(), strict=True):
        assert row.kept == (over <= 0)
        bounds = [float(each) for each in re.findall(r"[\d.]+", row.allowed)]
        low = -np.inf if "at most" in row.allowed else bounds[0]
        high = np.inf if "at least" in row.allowed else bounds[-1]
        margin = min(float(row.value) - low, high - float(row.value))
        # Value and margin have two decimals each.
        assert float(row.margin.replace("−", "-")) == pytest.approx(margin, abs=0.0101)


def family(name: str, full: float | None) -> page.FamilyResult:
    return page.FamilyResult(name, full, full, 10, 5)


@pytest.mark.parametrize(
    ("best", "verdict"),
    [
        (0.4, "That is 0.100 dB better than the best published family, conical."),
        (0.6, "The best shape is of a published family, conical."),
        (0.5, "The best shape is of a published family, conical."),
        (0.49996, "The best published family, conical, is as good."),
        (None, "The best shape is of a published family, conical."),
    ],
)
def test_page_claims_a_gain_only_where_there_is_one(best: float | None, verdict: str) -> None:
    text = shape_page(WAVEGUIDE, families=[family("free", best), family("conical", 0.5)])
    assert verdict in text
    assert "0.000 dB better" not in text


@pytest.mark.parametrize(
    ("waveguide", "joint", "hollow"),
    [
        # A straight wall of 45 degrees: 12.7 mm / cos 45 degrees = 17.96 mm.
        (Waveguide(through((0, 12.7), (50, 62.7))), "corner of 45.0°", "17.96 mm, round the axis at the throat"),
        (
            Waveguide(through((0, 12.7), (50, 62.7)), Driver(exit_half_angle=20 * DEGREE)),
            "corner of 25.0° between exit and wall",
            "17.96 mm",
        ),
        (
            Waveguide(through((0, 12.7), (50, 62.7), (80, 70))),
            "corner of 45.0°",
            "0.00 mm, an inward corner, z = 50.0 mm",
        ),
    ],
)
def test_page_names_the_throats_corner_and_the_hollow(waveguide: Waveguide, joint: str, hollow: str) -> None:
    text = shape_page(waveguide)
    assert joint in text
    assert hollow in text


def test_hollow_along_the_wall_is_told_from_the_circumference() -> None:
    # From 80 degrees against the axis to 10 on a radius of 10 mm, 40 mm and more away from the axis.
    turn = np.linspace(80.0, 10.0, 29) * DEGREE
    points = [(10 * (np.sin(turn[0]) - np.sin(a)), 40 + 10 * (np.cos(a) - np.cos(turn[0]))) for a in turn]
    waveguide = Waveguide(through(*points))
    assert drawing.concave(waveguide).startswith("along the wall")
    assert "Smallest concave radius (cutter) 10.0" in shape_page(waveguide)


def test_page_of_points_tells_what_became_of_them() -> None:
    text = shape_page(Waveguide(through((0, 12.7), (20, 30), (30, 60), (60, 80))))
    assert "Corners kept z = 20, 30 mm" in text
    assert "straight lines by up to 0.000 mm" in text
    many = [(10.0 * i, 20.0 + 10.0 * (i % 2)) for i in range(20)]
    assert "110, 120 and 6 more mm" in shape_page(Waveguide(through(*many)))
    assert "Corners kept" not in shape_page(WAVEGUIDE)

"""Series of parts: control charts, drift, contraction, and what a process does on the whole."""

import numpy as np
import pytest

from evenflare.files import read_text
from evenflare.inspection import series
from evenflare.inspection.found import Estimate
from evenflare.manufacture.process.accuracy import with_accuracy
from evenflare.manufacture.process.corrected import with_contraction
from evenflare.manufacture.process.file import process_path, read_process

HANDBOOK = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
"""Flow rate of ten batches; NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, its example (from memory)."""


def part(name: str = "part", **more) -> series.InspectedPart:
    kinds = {kind: Estimate(0.0, 1e-6) for kind in ("offset", "bow", "ovality", "tilt", "throat_step", "waviness")}
    values = {"form_mean": 0.0, "form_square": 0.0, "waviness_length": 0.02, "alike": True}
    values |= {"index_worst": 0.1, "zones": (0.0,)} | {key: each for key, each in more.items() if key != "kinds"}
    return series.InspectedPart(
        name=name, kinds=kinds | {"scale": Estimate(1.0, 1e-5)} | more.get("kinds", {}), **values
    )


def test_control_chart_of_the_handbook():
    chart = series.control_chart(HANDBOOK)
    assert chart.mean == pytest.approx(50.81)
    assert chart.moving_range == pytest.approx(1.8778, abs=5e-5)  # as printed
    assert (chart.upper, chart.lower) == pytest.approx((55.8041, 45.8159), abs=5e-4)  # printed from rounded values
    assert not any(chart.beyond)
    assert series.control_chart([*HANDBOOK, 70.0]).beyond[-1]


def test_a_single_part_has_no_chart():
    with pytest.raises(ValueError, match="two at least"):
        series.control_chart([1.0])


def test_drift_is_found_where_there_is_one_and_in_few_series_without():
    draw = np.random.default_rng(5)
    line = series.drift(0.1 * np.arange(12) + 0.05 * draw.standard_normal(12))
    assert line is not None
    assert abs(line.slope.value - 0.1) < 3 * line.slope.standard_error
    assert series.drifting([line, series.drift(draw.standard_normal(12))]) == (0,)
    odds = [series.drift(draw.standard_normal(8)).odds for _ in range(400)]
    # Uniform under no drift: 20 of 400 below 5 % are expected, with a deviation of 4.4; the seed is fixed.
    assert 8 <= sum(each < 0.05 for each in odds) <= 33
    assert series.drift([1.0, 2.0]) is None


@pytest.mark.parametrize("of", ["casting", "pattern"])
def test_contraction_brings_the_casting_to_its_size(of):
    used, metal = 0.013, 0.0165
    pattern = 1.0 + used if of == "casting" else 1.0 / (1.0 - used)
    casting = pattern * (1.0 - metal)
    found = series.contraction([Estimate(casting, 1e-5)], used=used, of=of)
    again = 1.0 + found.value if of == "casting" else 1.0 / (1.0 - found.value)
    assert again * (1.0 - metal) == pytest.approx(1.0, abs=1e-12)
    if of == "pattern":
        assert found.value == pytest.approx(metal)  # what the metal does, by definition
    assert found.low < found.value < found.high


def test_contraction_of_several_holds_the_truth_in_95_of_100_series():
    draw, used, metal = np.random.default_rng(2), 0.013, 0.015
    wanted = 1.0 / (1.0 - metal) - 1.0
    held = 0
    for _ in range(400):
        scales = (1.0 + used) * (1.0 - metal) + 4e-4 * draw.standard_normal(5)
        found = series.contraction([Estimate(each, 1e-6) for each in scales], used=used, of="casting")
        held += found.low < wanted < found.high
    # 380 expected, deviation 4.4.
    assert 364 <= held <= 394


def test_accuracy_of_many_parts_is_that_which_made_them():
    draw = np.random.default_rng(3)
    parts = []
    for _ in range(400):
        offset, bow = 0.05e-3 + 0.04e-3 * draw.standard_normal(), 0.06e-3 * draw.standard_normal()
        parts.append(
            part(
                form_mean=offset,
                form_square=offset**2 + 0.5 * bow**2,
                kinds={
                    "scale": Estimate(0.998 + 1e-3 * draw.standard_normal(), 1e-4),
                    "waviness": Estimate(0.02e-3, 1e-6),
                    # The scan's own doubt, which is no scatter of the process.
                    "throat_step": Estimate(float(draw.normal(scale=np.hypot(0.1e-3, 0.1e-3))), 0.1e-3),
                },
                waviness_length=0.03,
            )
        )
    found = series.accuracy_of(parts, source="invented")
    # Standard errors of 400: 5 % of a spread and of the bias' own scatter; three of them.
    assert found.bias == pytest.approx(0.05e-3, abs=3 * 0.04e-3 / 20)
    assert found.spread == pytest.approx(np.sqrt(0.04**2 + 0.5 * 0.06**2) * 1e-3, rel=0.12)
    assert found.scale_bias == pytest.approx(-0.002, abs=3e-3 / 20)
    assert found.scale_spread == pytest.approx(1e-3, rel=0.12)
    assert found.throat_step == pytest.approx(0.1e-3, rel=0.22)  # of a difference of squares
    assert found.correlation_length == pytest.approx(0.03)
    assert found.around == "alike"


def test_corrected_process_file_reads_back_with_its_comments(tmp_path):
    text = read_text(process_path("casting"))
    accuracy = series.accuracy_of(
        [part(form_mean=1e-5, form_square=4e-10), part(form_mean=3e-5, form_square=1e-9)], source="invented"
    )
    changed = with_accuracy(with_contraction(text, 0.01742), accuracy)
    (tmp_path / "mine.toml").write_text(changed)
    read = read_process(tmp_path / "mine.toml")
    assert read.casting is not None
    assert read.casting.contraction == pytest.approx(0.01742)
    assert read.accuracy.bias == pytest.approx(2e-5)
    assert read.accuracy.spread == pytest.approx(accuracy.spread, rel=1e-5)  # six digits are written
    assert read.accuracy.source.startswith("measured: 2 parts")
    comments = [line.partition("#")[2] for line in text.splitlines() if "#" in line]
    assert all(each in changed for each in comments)


@pytest.mark.parametrize(
    ("text", "contraction", "why"),
    [("name = 1", 0.01, r"no \[casting\]"), ("[casting", 0.01, "not TOML"), ("[casting]", 0.2, "outside")],
)
def test_contraction_that_cannot_stand_is_refused(text, contraction, why):
    with pytest.raises(ValueError, match=why):
        with_contraction(text, contraction)

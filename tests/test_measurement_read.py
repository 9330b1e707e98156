"""Text responses as rigs write them, and as they must not be."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from evenflare.files import LARGEST_TEXT, InputError
from evenflare.measurement.text_response import TextResponse, read_text_response, write_text_response
from evenflare.units import DEGREE
from readings import tried

PROPERTY = settings(deadline=None, max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])

ROWS = np.array([[20.0, -3.25, 170.5], [1000.0, 0.5, -12.25], [20000.5, -60.0, -179.0]])
"""Hz, dB, degrees. Invented."""


def fault(path) -> str:
    with pytest.raises(InputError) as caught:
        read_text_response(path)
    return str(caught.value)


def check(found: TextResponse, *, phase: bool = True) -> None:
    assert found.frequency.tolist() == ROWS[:, 0].tolist()
    assert found.level.tolist() == ROWS[:, 1].tolist()
    if phase:
        assert found.phase == pytest.approx(ROWS[:, 2] * DEGREE, rel=1e-15)
    else:
        assert found.phase is None


def lines(separator: str, *, comma: bool = False, columns: int = 3) -> list[str]:
    written = [[f"{value:g}" if abs(value) < 1e4 else f"{value:.1f}" for value in row[:columns]] for row in ROWS]
    return [separator.join(row).replace(".", "," if comma else ".") for row in written]


LAYOUTS = {
    "tabs": lines("\t"),
    "spaces": lines("   "),
    "commas": lines(","),
    "commas and spaces": lines(", "),
    "semicolons": lines(";"),
    "decimal commas, tabs": lines("\t", comma=True),
    "decimal commas, semicolons": lines("; ", comma=True),
    "decimal commas, spaces": lines(" ", comma=True),
    "indented": ["  " + line for line in lines("\t")],
    "a separator at the end": [line + ";" for line in lines(";")],
    "comments": ["# one", "* two", "; three", "% four", "// five", "! six", *lines(" ")],
    "a comment between": [lines(" ")[0], "# so far so good", *lines(" ")[1:]],
    "words first": ["Freq(Hz) SPL(dB) Phase(degrees)", "", *lines(" ")],
    "empty lines": ["", *lines(" "), "", ""],
    "exponents": ["2.0E+01 -3.25e0 1.705e+2", *lines(" ")[1:]],
}


@pytest.mark.parametrize("text", LAYOUTS.values(), ids=LAYOUTS)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["unix", "dos", "old mac"])
def test_every_layout_is_read(tmp_path, text, end):
    path = tmp_path / "a.txt"
    path.write_bytes(end.join(text).encode())
    check(read_text_response(path))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1", "cp1252"])
def test_words_may_be_in_any_encoding(tmp_path, encoding):
    path = tmp_path / "a.txt"
    path.write_bytes("\n".join(["# Übertragung, 20 °C", *lines("\t")]).encode(encoding))
    check(read_text_response(path))


@pytest.mark.parametrize("separator", ["\t", " ", ",", ";"])
def test_without_phase(tmp_path, separator):
    path = tmp_path / "a.txt"
    path.write_text("\n".join(lines(separator, columns=2)))
    found = read_text_response(path)
    check(found, phase=False)
    assert np.all(found.ratio.imag == 0.0)


def test_ratio_by_hand(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("100 20 90\n200 -20 180\n")
    assert read_text_response(path).ratio == pytest.approx([10j, -0.1])


def test_line_at_zero_hertz_is_passed_over_and_remarked_on(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("0 -200 0\n" + "\n".join(lines(" ")))
    found = read_text_response(path)
    check(found)
    assert found.remarks == ("a.txt: the line at 0 Hz was passed over",)


def test_whole_numbers_between_commas_are_remarked_on(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("100,1,5\n200,2,6\n")
    found = read_text_response(path)
    assert found.level.tolist() == [1.0, 2.0]
    assert found.remarks == (
        "a.txt: three whole numbers a line, commas between: Hz, dB, degrees and no decimal commas",
    )


FAULTS = {
    "empty": ("", ": holds no line of numbers. Write a line for each frequency: Hz, dB and degrees"),
    "words only": ("# nothing\nhello\n", ": holds no line of numbers"),
    "one line": ("100 1 2\n", ": holds 1 frequency: must be 2 at least"),
    "not a number": ("100 1 2\n200 NaN 2\n", ' line 2: "NaN" must be a number, as in 1000.0 or -3.2. Leave that'),
    "infinite": ("100 1 2\n200 -inf 2\n", ' line 2: "-inf" must be a number'),
    "not a number first": ("nan 1 2\n200 1 2\n", ' line 1: "nan" must be a number'),
    "a word": ("100 1 2\n200 loud 2\n", ' line 2: "loud" must be a number'),
    "a unit": ("100 Hz 1\n200 Hz 2\n", "Write the numbers alone, without their units"),
    "thousands": ("100\t1\t2\n1,000.5\t1\t2\n", "Write no separators of thousands"),
    "both decimal marks": ("100.5\t1\n200,5\t1\n", " line 2: decimals with a comma (first in line 2) and with a point"),
    "a value short": ("100 1 2\n200 1\n300 1 2\n", " line 2: holds 2 values, the lines before it 3: must be as many"),
    "a value more": ("100 1\n200 1 2\n", " line 2: holds 3 values, the lines before it 2"),
    "one column": ("100\n200\n", " line 1: holds 1 value separated by spaces: must be 2 or 3"),
    "four columns": ("100 1 2 3\n200 1 2 3\n", " line 1: holds 4 values separated by spaces: must be 2 or 3"),
    "decimal commas between commas": ("100,0,-3,2,1,5\n200,0,-3,2,1,5\n", "Are there decimal commas? Then separate by"),
    "falling": ("# a\n200 1 2\n100 1 2\n", " line 3: 100 Hz after 200 Hz: must rise from each line to the next. Sort"),
    "twice": ("100 1 2\n100 1 2\n", " line 2: 100 Hz after 100 Hz: must rise from each line to the next. It stands"),
    "negative": ("-100 1 2\n200 1 2\n", " line 1: -100 Hz: must be above 0, to 1e+06"),
    "zero later": ("0 1 2\n0 1 2\n100 1 2\n", " line 2: 0 Hz: must be above 0"),
    "overflow": ("100 1e999 2\n200 1 2\n", " line 1: inf dB: must be -400 to 400"),
    "a hole": ("100;;2\n200;1;2\n", ' line 1: "" must be a number, as in 1000.0 or -3.2. Nothing stands between'),
}


@pytest.mark.parametrize(("text", "words"), FAULTS.values(), ids=FAULTS)
def test_fault_names_file_and_line(tmp_path, text, words):
    path = tmp_path / "a.txt"
    path.write_text(text)
    found = fault(path)
    assert found.startswith(str(path))
    assert words in found


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("100 1\n200 2\n".encode("utf-16-le"), " line 1: is not text, or UTF-16 without its mark. Save it as UTF-8"),
        (b"\xff\xfe1", " line 1: begins as UTF-16 text and is none. Save it as UTF-8"),
        (b"100 1\n200 2\n\x00\x00", " line 3: is not text"),
        (b"RIFF\x24\x08\x00\x00WAVEfmt ", " line 1: is not text"),
        (b"100 1\n200 \x1b[31mred\n", 'line 2: "?[31mred" must be a number'),
    ],
    ids=["utf-16 without mark", "broken utf-16", "zeros at the end", "a sound", "control characters"],
)
def test_what_is_no_text_is_told(tmp_path, content, words):
    path = tmp_path / "a.txt"
    path.write_bytes(content)
    assert words in fault(path)


def test_huge_file_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "a.txt"
    with open(path, "wb") as file:
        file.truncate(LARGEST_TEXT + 1)
    assert ": has more than 64 MB: must have at most as much. Is it the right file?" in fault(path)


def test_long_file_is_read_whole(tmp_path):
    path = tmp_path / "a.txt"
    frequency = np.arange(1, 200_001) * 0.1
    path.write_text("\n".join(f"{f:.1f} -1.5" for f in frequency))
    assert read_text_response(path).frequency.tolist() == [float(f"{f:.1f}") for f in frequency]


def test_missing_file_and_folder_are_told(tmp_path):
    assert "cannot be read (No such file or directory)" in fault(tmp_path / "none.txt")
    assert "cannot be read" in fault(tmp_path)


@PROPERTY
@given(
    st.one_of(
        st.binary(max_size=300),
        st.text(alphabet="0123456789+-.,eE;# \t\r\nnaN\x00é", max_size=200).map(lambda text: text.encode()),
    )
)
def test_whatever_stands_there_is_read_or_told(tmp_path, content):
    path = tmp_path / "a.txt"
    path.write_bytes(content)
    found, words = tried(read_text_response, path)
    if found is None:
        assert words.startswith(str(path))
        return
    assert found.frequency.size >= 2
    assert np.all(np.diff(found.frequency) > 0.0)
    assert found.frequency[0] > 0.0
    assert np.all(np.isfinite(found.ratio)) or np.abs(found.level).max() > 300.0


frequencies = st.lists(st.integers(1, 10**6), min_size=2, max_size=30, unique=True).map(sorted)


@PROPERTY
@given(
    frequencies,
    st.data(),
    st.sampled_from(["\t", " ", ";", ","]),
    st.booleans(),
    st.booleans(),
)
def test_no_line_is_lost(tmp_path, hertz, data, separator, phase, comma):
    """Whatever numbers, separators and decimals: each line comes back as it was written."""
    columns = 3 if phase else 2
    number = st.integers(-3999, 3999).map(lambda value: value / 10)
    rows = [[f, *(data.draw(number) for _ in range(columns - 1))] for f in hertz]
    texts = [separator.join(f"{value:.1f}" for value in row) for row in rows]
    if comma and separator != ",":
        texts = [text.replace(".", ",") for text in texts]
    path = tmp_path / "a.txt"
    path.write_text("# Hz dB degrees\n" + "\n".join(texts) + "\n")  # said, since any range is drawn
    found = read_text_response(path)
    assert found.frequency.tolist() == hertz
    assert found.level.tolist() == [row[1] for row in rows]
    assert (found.phase is not None) == phase


@PROPERTY
@given(frequencies, st.data(), st.sampled_from(["nan", "x", "", "1.2.3", "1e", "--1", "2,5", "0x10", "1_0"]))
def test_one_bad_value_is_named_by_its_line(tmp_path, hertz, data, bad):
    at = data.draw(st.integers(0, len(hertz) - 1))
    texts = [f"{f}.5\t{bad if i == at else '-1.5'}\t2.5" for i, f in enumerate(hertz)]
    path = tmp_path / "a.txt"
    path.write_text("Hz dB deg\n" + "\n".join(texts))
    assert fault(path).startswith(f"{path} line {at + 2}: ")


@PROPERTY
@given(frequencies, st.data())
def test_one_frequency_out_of_order_is_named_by_its_line(tmp_path, hertz, data):
    at = data.draw(st.integers(1, len(hertz) - 1))
    hertz = [*hertz[:at], data.draw(st.integers(1, hertz[at - 1])), *hertz[at + 1 :]]
    path = tmp_path / "a.txt"
    path.write_text("\n".join(f"{f} 1" for f in hertz))
    assert fault(path).startswith(f"{path} line {at + 1}: {hertz[at]:g} Hz after ")


def test_written_response_reads_back_within_its_decimals(tmp_path):
    frequency = np.array([20.0, 1234.56789, 20000.0])
    pressure = np.array([1.0 - 2.0j, 3e-5j, -4.0e-3])
    path = write_text_response(tmp_path / "a.txt", frequency, pressure, reference=2e-5, header=["invented\nnot data"])
    found = read_text_response(path)
    assert found.frequency == pytest.approx(frequency, rel=1e-9)  # nine digits
    ratio = found.ratio * 2e-5 / pressure
    assert np.abs(20.0 * np.log10(np.abs(ratio))).max() <= 0.51e-4  # four decimals
    assert np.abs(np.angle(ratio)).max() <= 0.51e-3 * DEGREE  # three decimals
    assert path.read_text().splitlines()[0] == "# invented not data"


@pytest.mark.parametrize("heading", [1, 2, 3])
def test_a_heading_is_found_among_other_remarks_and_told_by_its_line(tmp_path, heading):
    path = tmp_path / "a.txt"
    lines = ["* made by hand", "* for a test", "* no more to say"]
    lines[heading - 1] = "* Freq(kHz) SPL(dB) Phase(degrees)"
    path.write_text("\n".join([*lines, "0.5 80 0", "1 81 -10", "2 80 -20", "4 79 -30"]) + "\n", encoding="utf-8")
    found = read_text_response(path)
    assert found.frequency == pytest.approx([500.0, 1000.0, 2000.0, 4000.0])
    assert f"a.txt: frequencies in kHz, by its heading in line {heading}" in found.remarks

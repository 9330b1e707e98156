"""Solved cabinets on disk: found again, whole or not at all, refused when damaged, and interrupted runs go on."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from enclosures import one_thread  # noqa: F401
from evenflare.exterior import cabinets
from evenflare.exterior.cabinets import Solved, is_kept, operator_of
from evenflare.units import FloatArray
from evenflare.waveguide.cabinet import Cabinet, Edge

CABINET = Cabinet(0.2, 0.3, 0.2, Edge(0.02), Edge(0.02), 0.0, 0.05)
WAVENUMBER = np.array([4.0, 5.0, 6.0])


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty one, and nothing in memory."""
    monkeypatch.setenv("EVENFLARE_CACHE", str(tmp_path))
    forget()
    return tmp_path / "cabinets"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The cabinet's files."""
    where = tmp_path_factory.mktemp("kept")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("EVENFLARE_CACHE", str(where))
        solved()
    return where / "cabinets"


def forget() -> None:
    """As in a new process."""
    cabinets._OPERATORS.clear()
    cabinets._KEPT.clear()


def solved(wavenumber: FloatArray = WAVENUMBER, cabinet: Cabinet = CABINET) -> tuple[list[Solved], cabinets.Operator]:
    told: list[Solved] = []
    forget()
    return told, operator_of(cabinet, wavenumber, is_round=False, progress=told.append)


def test_is_found_again(folder: Path) -> None:
    assert not is_kept(CABINET, WAVENUMBER, is_round=False)
    told, first = solved()
    assert [each.kept for each in told] == [False] * 3
    assert is_kept(CABINET, WAVENUMBER, is_round=False)
    told, again = solved()
    assert [each.kept for each in told] == [True] * 3
    for one, other in zip(first.responses, again.responses, strict=True):
        # To the last bit: a run that reads what another has solved gives the other's results.
        np.testing.assert_array_equal(one.far, other.far)
        np.testing.assert_array_equal(one.back, other.back)


def test_other_wavenumbers_and_cabinets_have_files_of_their_own(folder: Path) -> None:
    solved()
    told, _ = solved(np.array([5.0, 6.0, 7.0]))
    assert sorted(each.wavenumber for each in told if not each.kept) == [7.0]
    told, _ = solved(cabinet=Cabinet(0.2, 0.3, 0.2, Edge(0.02), Edge(0.02), 0.0, 0.051))
    assert not any(each.kept for each in told)


def test_interrupted_run_goes_on(folder: Path) -> None:
    def interrupt(each: Solved) -> None:
        if each.done == 2:
            raise KeyboardInterrupt

    forget()
    with pytest.raises(KeyboardInterrupt):
        operator_of(CABINET, WAVENUMBER, is_round=False, progress=interrupt)
    told, _ = solved()
    assert [each.kept for each in told].count(True) == 2
    assert not [path for path in folder.parent.rglob("*") if path.is_file() and path.suffix != ".response"]


@pytest.mark.parametrize(
    "damage",
    [
        lambda content: content[:-1],
        lambda content: content[:100],
        lambda content: b"",
        lambda content: content[:-9] + bytes([content[-9] ^ 1]) + content[-8:],
        lambda content: b"PK" + content,
        lambda content: content.replace(b'"wavenumber": 5.0', b'"wavenumber": 5.5'),
        lambda content: content.split(b"\n")[0] + b"\n{}\n",
        lambda content: content.split(b"\n")[0] + b"\n[1]\n",
    ],
    ids=["short", "cut", "empty", "one bit", "another kind", "another's", "nothing said", "a list"],
)
def test_damaged_file_is_told_by_name_and_made_again(kept: Path, folder: Path, damage) -> None:  # type: ignore[no-untyped-def]
    shutil.copytree(kept, folder)
    _, wanted = solved()
    file = next(path for path in folder.glob("*.response") if b'"wavenumber": 5.0' in path.read_bytes())
    whole = file.read_bytes()
    file.write_bytes(damage(whole))
    told, found = solved()
    (fault,) = [each.fault for each in told if each.fault]
    assert str(file) in fault
    np.testing.assert_array_equal(found.responses[1].far, wanted.responses[1].far)
    assert file.read_bytes() == whole


def test_long_waves_beside_a_near_edge_are_kept(folder: Path) -> None:
    """5 Hz, 30 mm from an edge: waves of sixth degree come back so large that 32 bits do not hold them."""
    near = Cabinet(0.2, 0.3, 0.2, y=0.12)
    wavenumber = np.array([2 * np.pi * 5.0 / 343.2])
    _, first = solved(wavenumber, near)
    _, again = solved(wavenumber, near)
    assert np.abs(first.responses[0].back).max() > np.finfo(np.float32).max
    np.testing.assert_array_equal(again.responses[0].back, first.responses[0].back)

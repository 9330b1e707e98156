"""Every format that the product reads: small files that are in order, and what commands do first with each.

All figures are invented. A reader here is what commands call before their heavy work; it is given the folder.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import solids
import target_texts
from comparing import piston
from design_texts import CONE, DRIVER, HORIZONTAL, VERTICAL
from evenflare.commands import remarks, searching
from evenflare.commands.measured_ways import read_measured
from evenflare.design.driver import read_calibrated
from evenflare.design.file import design_id, design_toml, read_design
from evenflare.directivity.folder import read_directivity
from evenflare.directivity.sofa import write_sofa
from evenflare.dsp.filters_file import read_equaliser
from evenflare.dsp.on_axis import read_on_axis
from evenflare.dsp.speaker import read_speaker
from evenflare.dsp.speaker_places import pistons_of
from evenflare.dsp.speaker_tables import MINIMAL, SpeakerTable
from evenflare.files import InputError
from evenflare.inspection.scan import check_unit, read_scan
from evenflare.manufacture.process.file import read_process
from evenflare.measurement import journal
from evenflare.measurement.calibrated_file import Known, read_known
from evenflare.measurement.compare import compare
from evenflare.measurement.near_response import near_response
from evenflare.measurement.session import read_session
from evenflare.measurement.session_writing import write_session
from evenflare.measurement.text_response import read_text_response
from evenflare.measurement.wav import read_wav
from evenflare.report.measurement import prototypes
from evenflare.results import tables
from evenflare.results.inspection import KINDS, read_part
from evenflare.results.journal import csv_text
from evenflare.room.room_file import read_room
from evenflare.schema import checked, parsed
from evenflare.search.identity import Identity
from evenflare.search.store import history_rows, nearest, opened
from evenflare.search.worker import Job, Outcome
from evenflare.target.consistent import contradictions
from evenflare.target.reach import reachability
from evenflare.units import DEGREE
from evenflare.waveguide import Conical, Waveguide
from fuzz_rig import FREQUENCY, write_foreign_sofa, write_rig
from fuzz_scans import write_scans
from fuzz_texts import BODY, CALIBRATED, NARROW, POINTS, SOLID, SOURCE, SPEAKER

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Case:
    """What is read of a folder of the corpus, and which of its files may be mutated."""

    folder: str
    files: tuple[str, ...]
    read: Callable[[Path], object]


def _refused(action: Callable[[], object], where: str) -> None:
    """What a command refuses with a ValueError of the library, to which it adds the name of the file."""
    try:
        action()
    except InputError:
        raise
    except ValueError as error:
        raise InputError(f"{where}: {error}") from error


def _design(name: str) -> Callable[[Path], object]:
    def read(folder: Path) -> None:
        path = folder / name
        design = read_design(path)
        design_id(design)
        remarks.warnings(path, design.waveguide)
        remarks.notes(path, design.waveguide, made=design.solid.kind)
        remarks.corners_kept(design.waveguide)
        _refused(lambda: design_toml(design), str(path))

    return read


def _target(folder: Path) -> None:
    target, _ = searching.checked_search(
        folder / "target.toml", folder / "run", workers=1, candidates=None, minutes=None, seed=None
    )
    contradictions(target)
    reachability(target)


def _directivity(name: str) -> Callable[[Path], object]:
    def read(folder: Path) -> None:
        found = read_directivity(folder / name)
        reference = piston(0.06, frequency=FREQUENCY)
        _refused(lambda: compare(found.directivity, reference), str(folder / name))

    return read


def _calibrated(folder: Path) -> None:
    read_calibrated(folder / "calibrated.toml", key="[driver] calibrated = calibrated.toml")
    read_known(folder / "calibrated.toml")


def _ways_in_a_solid(folder: Path) -> object:
    """The cabinet, and where its ways move; nothing is solved."""
    path = folder / "solid.toml"
    table = checked(parsed(path, minimal=MINIMAL), SpeakerTable, path=path)
    if table.cabinet is None or table.cabinet.design is not None:
        return table
    cabinet = table.cabinet.mounting().value(path, table="cabinet").cabinet
    assert cabinet is not None
    for way in table.lower().values():
        if way.piston_radius_mm is not None:
            _refused(lambda way=way: pistons_of(way, cabinet), str(path))  # type: ignore[misc]
    return table


def _scan(name: str) -> Callable[[Path], object]:
    def read(folder: Path) -> None:
        check_unit(read_scan(folder / name), Waveguide(Conical(0.05, 40.0 * DEGREE)))

    return read


def _near_field(name: str) -> Callable[[Path], object]:
    """The reading close to the mouth, too, as far as `measure` takes it before anything is solved."""

    def read(folder: Path) -> object:
        session = read_session(folder / name)
        if session.near is None:
            return session
        return near_response(session, session.near, FREQUENCY)

    return read


def _journal(folder: Path) -> None:
    path = folder / "journal.sqlite"
    found = journal.entries(path)
    journal.steps(found)
    prototypes.list_text(found)
    prototypes.full_text(found)
    csv_text(found, header={})
    journal.add(path, ENTRY)


def _candidates(folder: Path) -> None:
    run = folder / "run"
    list(history_rows(run))
    nearest(run)
    with opened(run, IDENTITY) as store:
        store.add(9, Job("conical", (0.5,), "screen"), OUTCOME)


CASES = {
    "design": Case("design", ("design.toml",), _design("design.toml")),
    "design of a free curve": Case("design", ("free.toml",), _design("free.toml")),
    "design of points": Case("design", ("points.toml", "points.csv"), _design("points.toml")),
    "design of points in the file": Case("design", ("inline.toml",), _design("inline.toml")),
    "design, oblong": Case("design", ("oblong.toml",), _design("oblong.toml")),
    "design, oblong of points": Case("design", ("planes.toml", "points.csv", "vertical.csv"), _design("planes.toml")),
    "design of a body": Case("design", ("body.toml", "body.csv"), _design("body.toml")),
    "design of a cabinet": Case("design", ("cabinet.toml", "cabinet.stl"), _design("cabinet.toml")),
    "design of an outline": Case("design", ("outline.toml",), _design("outline.toml")),
    "design with a source": Case("design", ("source.toml", "source.csv"), _design("source.toml")),
    "design with a calibration": Case("design", ("taught.toml", "calibrated.toml"), _design("taught.toml")),
    "calibrated": Case("design", ("calibrated.toml",), _calibrated),
    "target": Case("target", ("target.toml",), _target),
    "target of a room": Case("heard", ("target.toml", "room.toml"), _target),
    "target, oblong": Case("oblong", ("target.toml",), _target),
    "room": Case("heard", ("room.toml",), lambda folder: read_room(folder / "room.toml")),
    "process": Case("process", ("router.toml",), lambda folder: read_process(folder / "router.toml")),
    "process, lathe": Case("process", ("lathe.toml",), lambda folder: read_process(folder / "lathe.toml")),
    "process, dialect": Case("process", ("ours.toml",), lambda folder: read_process(folder / "in_ours.toml")),
    "process, sheets": Case("process", ("sheets.toml",), lambda folder: read_process(folder / "sheets.toml")),
    "process, casting": Case("process", ("casting.toml",), lambda folder: read_process(folder / "casting.toml")),
    "directivity": Case(
        "joined",
        ("solved/provenance.json", "solved/directivity.csv", "solved/summary.csv"),
        _directivity("solved"),
    ),
    "sofa": Case("joined", ("f.sofa",), _directivity("f.sofa")),
    "sofa of another": Case("joined", ("foreign.sofa",), _directivity("foreign.sofa")),
    "speaker": Case(
        "joined",
        ("speaker.toml", "filters.json", "solved/directivity.csv"),
        lambda folder: read_speaker(folder / "speaker.toml", reading=read_measured),
    ),
    "speaker in a solid": Case("joined", ("solid.toml", "cabinet.stl"), _ways_in_a_solid),
    "filters": Case("joined", ("filters.json",), lambda folder: read_equaliser(folder / "filters.json")),
    "response on axis": Case("joined", ("axis.txt",), lambda folder: read_on_axis(folder / "axis.txt")),
    "comparison": Case(
        "kept", ("comparison.json",), lambda folder: journal.read_comparison(folder / "comparison.json")
    ),
    "inspection": Case("kept", ("inspection.json",), lambda folder: read_part(folder / "inspection.json")),
    "journal": Case("kept", ("journal.sqlite",), _journal),
    "candidates": Case("kept", ("run/candidates.sqlite",), _candidates),
    "session of impulses": Case(
        "rig",
        ("impulse.toml", "turn_0.wav", "turn_10.wav", "mic.txt", "design.toml"),
        lambda folder: read_session(folder / "impulse.toml"),
    ),
    "session of sweeps": Case(
        "rig", ("sweep.toml", "sweep.wav", "turn_10.wav"), lambda folder: read_session(folder / "sweep.toml")
    ),
    "session of responses": Case(
        "rig", ("response.toml", "tilt_0.txt", "tilt_10.txt"), lambda folder: read_session(folder / "response.toml")
    ),
    "session with a near field": Case(
        "rig", ("near.toml", "near.wav", "mic.txt", "boxed.toml"), _near_field("near.toml")
    ),
    "session with a near field of text": Case("rig", ("text.toml", "near.txt"), _near_field("text.toml")),
    "session of a sofa file": Case("rig", ("sofa.toml", "f.sofa"), lambda folder: read_session(folder / "sofa.toml")),
    **{
        f"scan, {name}": Case("scans", (name,), _scan(name))
        for name in ("text.stl", "binary.stl", "text.ply", "little.ply", "big.ply", "probed.csv", "profile.csv")
    },
    "names of readings": Case("rig", ("turn_0.wav",), write_session),
    "sound": Case("rig", ("turn_0.wav",), lambda folder: read_wav(folder / "turn_0.wav")),
    "text response": Case("rig", ("tilt_0.txt",), lambda folder: read_text_response(folder / "tilt_0.txt")),
}
"""By name. Among them is every reader of a file that somebody else may have written."""

REST = (
    '[mounting]\nkind = "baffle"\n[air]\ntemperature_c = 20\nhumidity_percent = 50\npressure_kpa = 101.3\n'
    "[analysis]\nfrequencies_hz = [500, 1000, 4000]\noff_axis_step_deg = 10\ndistance_m = 2.0\nreference_z_mm = 90\n"
    '[solid]\nkind = "block"\nflange_diameter_mm = 330\nseat_diameter_mm = 92\nseat_depth_mm = 4\nbolts = 8\n'
)
FILTERS = {
    "name": "half",
    "design_id": "0123456789ab",
    "aim": {"from_hz": 400.0, "to_hz": 12000.0},
    "sections": {"48000": [{"kind": "peaking", "b": [0.5, 0.0, 0.0], "a": [1.0, 0.1, 0.0]}], "96000": []},
    "fir": {"files": {"48000": {"wav": "fir_48000.wav", "taps": 64}}},
}
COMPARED = {
    "bias_db": 0.1,
    "rms_db": 0.9,
    "worst": {"deviation_db": -2.5, "frequency_hz": 12500.0, "azimuth_deg": 0.0, "off_axis_deg": 60.0},
    "index_rms_db": 0.4,
    "within": False,
}
INSPECTED = {
    "name": "part 1",
    "design_id": "0123456789ab",
    "within": True,
    "index_rms_db": 0.1,
    "index_worst_db": None,
    "rms_mm": 0.06,
    **{f"{kind}{error}{unit}": 0.9 for kind, (unit, _) in KINDS.items() for error in ("", "_standard_error")},
    "waviness_length_mm": 20.0,
    "throat_step_mm": 0.0,
    "alike_all_round": True,
    "form_mean_mm": 0.02,
    "form_rms_mm": 0.03,
    "zones": [{"from_z_mm": 0.0, "to_z_mm": 80.0, "mean_mm": None}],
}
ENTRY = journal.Prototype(
    "2026-03-01T10:00:00+01:00",
    "cone, first",
    "0123456789ab",
    CONE + DRIVER,
    "printed, sanded\nrim chipped",
    ("design.toml", "measured"),
    COMPARED,
    Known({"throat_taper": 0.1}, {"held_out_before": 0.9, "held_out_after": 0.5}),
    INSPECTED,
)
IDENTITY = Identity("name = 'even'", 1, {"[limits] depth_mm": "[60, 100]"}, {"evenflare": "0.0", "numpy": "0.0"})
OUTCOME = Outcome(1.5, True, {"index_db": 1.5}, {"depth_mm": -3.0}, {"depth_mm": 80.0}, "")


def write_corpus(folder: Path) -> None:
    """Every file of every case, all in order."""
    for name in ("design", "target", "oblong", "process", "joined", "kept/run", "rig", "heard", "scans"):
        (folder / name).mkdir(parents=True)
    _write_designs(folder / "design")
    (folder / "target" / "target.toml").write_text(target_texts.GOOD)
    (folder / "oblong" / "target.toml").write_text(target_texts.OBLONG)
    for name in ("router", "lathe", "sheets", "casting", "print"):
        bundled = HERE.parent / "profile" / "evenflare" / "manufacture" / "processes" / f"{name}.toml"
        (folder / "process" / f"{name}.toml").write_text(bundled.read_text(encoding="utf-8"), encoding="utf-8")
    _write_dialect(folder / "process")
    _write_joined(folder / "joined")
    _write_kept(folder / "kept")
    write_rig(folder / "rig")
    write_scans(folder / "scans")
    targets = HERE.parent / "targets"
    (folder / "heard" / "room.toml").write_bytes((targets / "rooms" / "living_room.toml").read_bytes())
    sphere = '[mounting]\nkind = "sphere"\nradius_mm = 200\n[wanted.room]\nroom = "room.toml"\nweight = 0.5\n'
    (folder / "heard" / "target.toml").write_text(target_texts.GOOD + sphere)


def _write_designs(folder: Path) -> None:
    points = '[waveguide]\nmeridian_csv = "points.csv"\ncorner_deg = 8\n' + DRIVER
    inline = ", ".join(f"[{z}, {12.7 + 0.01 * z**2:.4f}]" for z in range(0, 81, 10))
    oblong = "[waveguide]\nsection_exponent = [[0, 2], [60, 2.2], [90, 3]]\n" + HORIZONTAL + VERTICAL + DRIVER
    shell = (
        '[mounting]\nkind = "free_standing"\noutline = "rolled_shell"\nrim_radius_mm = 20\nback_diameter_mm = 120\n'
        "back_depth_mm = 40\nback_edge_radius_mm = 10\n"
    )
    free = (
        '[waveguide]\nfamily = "free"\narc_length_mm = 100\nthroat_angle_deg = 5\ncurvature_per_m = [2.0, 8.0, 12.0]\n'
        "roundover_radius_mm = 10\n"
    )
    texts = {
        "design.toml": f'name = "plain cone"\n{CONE}roundover_radius_mm = 15\n{DRIVER}{REST}',
        "free.toml": free + DRIVER,
        "points.toml": points,
        "inline.toml": f"[waveguide]\npoints_mm = [{inline}]\n{DRIVER}",
        "oblong.toml": oblong
        + "[analysis]\nazimuths_deg = [0, 45, 90]\n[solid]\nflange_width_mm = 330\nflange_height_mm = 260\n",
        "planes.toml": '[waveguide]\nhorizontal_csv = "points.csv"\nvertical_csv = "vertical.csv"\n' + DRIVER,
        "body.toml": points + '[mounting]\nkind = "free_standing"\nbody_csv = "body.csv"\n',
        "outline.toml": CONE + DRIVER + shell,
        "cabinet.toml": f'{CONE}{DRIVER}[mounting]\nkind = "cabinet"\nsolid_stl = "cabinet.stl"\n',
        "source.toml": f'{CONE}{DRIVER}source = "impedance"\nsource_impedance_csv = "source.csv"\n',
        "taught.toml": f'{CONE}{DRIVER}calibrated = "calibrated.toml"\n',
        "points.csv": POINTS,
        "vertical.csv": NARROW,
        "body.csv": BODY,
        "source.csv": SOURCE,
        "calibrated.toml": CALIBRATED,
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    solids.written(solids.box(260, 420, 280), folder / "cabinet.stl", text=True)


def _write_dialect(folder: Path) -> None:
    controllers = HERE.parent / "profile" / "evenflare" / "manufacture" / "controllers"
    text = (controllers / "machining_centre.toml").read_text(encoding="utf-8")
    (folder / "ours.toml").write_text(text.replace('"T{n} M6"', '""').replace('"G43 H{n}"', '""'), encoding="utf-8")
    router = (folder / "router.toml").read_text(encoding="utf-8")
    (folder / "in_ours.toml").write_text(router.replace('"plain"', '"ours.toml"'), encoding="utf-8")


def _write_joined(folder: Path) -> None:
    solved = piston(0.06, frequency=FREQUENCY, off_axis=np.arange(0.0, 181.0, 15.0) * DEGREE, plane=np.zeros(1))
    tables.write_solution(folder / "solved", solved, name="demo", design_id="0123456789ab")
    write_sofa(solved, folder / "f.sofa", name="demo", design_id="0123456789ab")
    write_foreign_sofa(folder / "foreign.sofa")
    (folder / "speaker.toml").write_text(SPEAKER)
    solids.written(solids.wedge(260, 420, 280), folder / "cabinet.stl", text=True)
    ways = SPEAKER[: SPEAKER.index("[woofer]")] + SOLID + SPEAKER[SPEAKER.index("[woofer.crossover]") :]
    (folder / "solid.toml").write_text(ways + '[cabinet]\nsolid_stl = "cabinet.stl"\nwaveguide_y_mm = 60\n')
    (folder / "filters.json").write_text(json.dumps(FILTERS, indent=1))
    (folder / "axis.txt").write_text(
        "Hz dB deg\n" + "".join(f"{f:.1f}\t{-f / 1e4:.2f}\t{-f / 1e3:.1f}\n" for f in FREQUENCY)
    )


def _write_kept(folder: Path) -> None:
    (folder / "comparison.json").write_text(json.dumps(COMPARED, indent=1))
    (folder / "inspection.json").write_text(json.dumps(INSPECTED, indent=1))
    for _ in range(3):
        journal.add(folder / "journal.sqlite", ENTRY)
    with opened(folder / "run", IDENTITY) as store:
        for number in range(1, 6):
            store.add(number, Job("conical", (0.1 * number, 0.5), "screen"), OUTCOME)
    for path in (folder / "journal.sqlite", folder / "run" / "candidates.sqlite"):
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            connection.execute("PRAGMA journal_mode=DELETE")

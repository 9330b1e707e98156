"""Readings and sessions of a rig in order, and a SOFA file of another program."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import soundfile

from comparing import piston
from design_texts import CONE, DRIVER
from evenflare.directivity.sofa import write_sofa
from evenflare.units import DEGREE

FREQUENCY = np.geomspace(400.0, 12000.0, 6)
RIG = "[rig]\ndistance_m = 2.0\nsource_height_m = 3.1\nmicrophone_height_m = 3.1\ntemperature_c = 16\n"
ROUND = 'symmetry = "round"\n'
TURNED = f'horizontal = "turn_{{off_axis_deg}}.wav"\n{ROUND}[gate]\nlength_ms = 9.0\n'


def write_foreign_sofa(path: Path) -> None:
    """As another program writes one: a horizontal orbit at 2 m, without our own attribute."""
    from netCDF4 import Dataset

    write_sofa(
        piston(0.06, frequency=FREQUENCY, off_axis=np.arange(0.0, 181.0, 15.0) * DEGREE, plane=np.zeros(1)),
        path,
        name="demo",
    )
    with Dataset(str(path), "a") as file:
        file.delncattr("Evenflare")


def write_rig(folder: Path) -> None:
    sound = np.zeros(400)
    sound[280:300] = [0.8 * math.exp(-0.2 * i) * math.cos(i) for i in range(20)]
    for degrees in (0, 10, 20):
        soundfile.write(folder / f"turn_{degrees}.wav", sound, 48000, subtype="PCM_16")
        rows = "".join(f"{f:.1f}\t{-0.01 * degrees:.2f}\t{-f / 1e3:.1f}\n" for f in FREQUENCY)
        (folder / f"tilt_{degrees}.txt").write_text(f"* invented\n{rows}")
    soundfile.write(folder / "sweep.wav", np.sin(np.arange(600) ** 2 / 900.0), 48000, subtype="FLOAT")
    (folder / "mic.txt").write_text("20 0.1\n1000 0.0\n20000 -1.5\n")
    (folder / "design.toml").write_text(CONE + DRIVER)
    sizes = "width_mm = 260\nheight_mm = 420\ndepth_mm = 280\n"
    (folder / "boxed.toml").write_text(f'{CONE}{DRIVER}[mounting]\nkind = "cabinet"\n{sizes}')
    long = np.zeros(4800)
    long[300:4300] = [0.8 * math.exp(-0.002 * i) * math.cos(0.02 * i) for i in range(4000)]
    soundfile.write(folder / "near.wav", long, 48000, subtype="PCM_16")
    rows = "".join(f"{f:.1f}\t{0.01 * f:.2f}\t{-f / 1e2:.1f}\n" for f in FREQUENCY)
    (folder / "near.txt").write_text(f"* invented\n{rows}")
    near = "overlap_from_hz = 250\noverlap_to_hz = 500\ndistance_mm = 5\n"
    write_foreign_sofa(folder / "f.sofa")
    mic = '[microphone]\ncalibration = "mic.txt"\nfull_scale_pa = 20.0\n'
    texts = {
        "impulse.toml": f'name = "p"\ndesign = "design.toml"\n{RIG}[files]\nkind = "impulse_response"\n{TURNED}{mic}',
        "sweep.toml": f'{RIG}[files]\nkind = "sweep"\nreference = "sweep.wav"\n{TURNED}',
        "response.toml": f'{RIG}[files]\nkind = "response"\nhorizontal = "tilt_{{off_axis_deg}}.txt"\n{ROUND}',
        "near.toml": f'name = "p"\ndesign = "boxed.toml"\n{RIG}mounting = "cabinet"\n[files]\n'
        f'kind = "impulse_response"\n{TURNED}{mic}[near_field]\nfile = "near.wav"\nlength_ms = 60\n{near}',
        "text.toml": f'{RIG}mounting = "baffle"\n[files]\nkind = "response"\nhorizontal = "tilt_{{off_axis_deg}}.txt"\n'
        f'{ROUND}[near_field]\nfile = "near.txt"\nradius_mm = 40\n{near}',
        "sofa.toml": f'[rig]\ndistance_m = 1.0\n[files]\nkind = "sofa"\nsofa = "f.sofa"\n{ROUND}',
    }
    for name, text in texts.items():
        (folder / name).write_text(text)

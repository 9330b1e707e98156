"""Readings checked one by one as they come, each against those that are there, while it can still be repeated.

The checks are those of the finished session: what the recorder lost, whether anything arrives, and whether a reading
belongs between its neighbours. What these cannot tell of a few readings is asked of the nearest one alone.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from evenflare.files import InputError
from evenflare.measurement.arrivals import FARTHEST as FARTHEST_ARRIVAL
from evenflare.measurement.arrivals import peak_over_noise
from evenflare.measurement.deconvolve import deconvolver, excited_band
from evenflare.measurement.gate import Window, arrival_time, noise_power, spectra, tail_power
from evenflare.measurement.heard import SAME_ANGLE
from evenflare.measurement.neighbours import FARTHEST, Difference, Fault, compared, faults
from evenflare.measurement.normalise import within
from evenflare.measurement.planned import PlannedSession, ReadingPlace, key_of
from evenflare.measurement.readings import Impulse
from evenflare.measurement.recorded import padded_from, padded_words, recording_faults
from evenflare.measurement.sounds import chosen_frequencies, chosen_window
from evenflare.measurement.spoken import DRIFTED_DB, fault_words, louder, outvoted, repeat_words, stem
from evenflare.measurement.uncertainty import LEAST_SIGNAL_DB
from evenflare.measurement.wav import read_wav
from evenflare.measurement.window import lowest_frequency
from evenflare.units import DEGREE, MILLISECOND, BoolArray, ComplexArray, FloatArray, amplitude_db, power_db

FEW = 4
"""Angles of a plane, below which polarity is asked of those that are near."""
NEAREST, STEP_DB = 15.0 * DEGREE, 10.0
"""Within so much the level of no source changes by as much from angle to angle, median over frequency. Judgement."""
SAME_WINDOW = 0.1e-3
"""s, by which the arrival on axis may move before every reading is gated anew."""
NOISIER_DB = 6.0
"""Above the others' median, from which the noise of one reading is its own: a gust, a car."""


@dataclass(frozen=True)
class Verdict:
    """What a reading is worth: `words` as a person says it, `good` if it need not be repeated."""

    good: bool
    words: str


@dataclass(frozen=True)
class _Looked:
    """A reading by itself: its impulse response, or None; how it came; what is wrong with it, or nothing."""

    place: ReadingPlace
    file: Path
    own: str
    record: FloatArray | None = None
    sample_rate: float = 0.0
    peak: float = 0.0
    arrival: float = 0.0


@dataclass(frozen=True)
class _Gated:
    """Its response (F,) and the mean square of its noise (F,), nan where not known; what is wrong with both."""

    own: str
    pressure: ComplexArray
    noise: FloatArray


class Bench:
    """The readings of a session that are there, and what each is worth; files come, are replaced and go."""

    def __init__(self, planned: PlannedSession) -> None:
        """Errors: InputError where no gate is known, or the reference is no sweep."""
        self.planned, self.session = planned, replace(planned.session, frequency=None, smoothing=None)
        self.notes: list[str] = chosen_window(self.session, 0.01)[1]["warnings"]
        self._looked: dict[Path, _Looked] = {}
        self._gated: dict[Path, _Gated] = {}
        self._faults: dict[float, tuple[list[tuple[Path, Fault, tuple[str, ...]]], str]] = {}
        self._pairs: dict[tuple[Path, Path], Difference | None] = {}
        self._former: dict[Path, _Gated] = {}
        self._unlike: dict[Path, str] = {}
        self._before: tuple[float, Window] | None = None
        self._band, self._divide = (0.0, np.inf), None
        reference, rate = self.session.reference, planned.sample_rate
        if self.session.kind == "sweep" and reference is not None and rate is not None:
            told = excited_band(reference, sample_rate=rate)
            self._band = (self.session.sweep_from or told[0], self.session.sweep_to or told[1])
            self._divide = deconvolver(reference, sample_rate=rate, band=self._band)

    @property
    def places(self) -> dict[Path, ReadingPlace]:
        """Where the readings that are there were taken, in the order in which they came."""
        return {file: each.place for file, each in self._looked.items()}

    def put(self, file: Path, place: ReadingPlace) -> None:
        """Read a file that has come, or has been replaced."""
        former = self._gated.get(file)
        self.drop(file)
        if former is not None and not former.own:
            self._former[file] = former
        self._looked[file] = self._look(file, place)

    def drop(self, file: Path) -> None:
        """Forget a file that is no longer there."""
        gone = self._looked.pop(file, None)
        self._gated.pop(file, None)
        self._former.pop(file, None)
        self._unlike.pop(file, None)
        self._pairs = {pair: each for pair, each in self._pairs.items() if file not in pair}
        if gone is not None:
            self._faults.pop(gone.place[0], None)

    def verdicts(self) -> dict[Path, Verdict]:
        """What each reading is worth beside the others."""
        rate, arrival = self._common()
        wrong = {file: self._alone(each, rate, arrival) for file, each in self._looked.items()}
        sound = [file for file, words in wrong.items() if not words]
        if not sound:
            return {file: Verdict(False, words) for file, words in wrong.items()}
        first = next((f for f in sound if abs(self._looked[f].place[1]) < SAME_ANGLE), sound[0])
        window = chosen_window(self.session, self._looked[first].arrival)[0]
        if (
            self._before is None
            or self._before[0] != rate
            or abs(self._before[1].arrival - window.arrival) > SAME_WINDOW
        ):
            self._gated, self._faults, self._pairs, self._former = {}, {}, {}, {}
            self._before = rate, window
        window = self._before[1]
        frequency = chosen_frequencies(self.session, window, rate)
        usable = (frequency >= lowest_frequency(window.length) * (1.0 - 1e-9)) & within(
            self.session.microphone, frequency
        )
        usable &= (frequency >= self._band[0]) & (frequency <= self._band[1])
        for file in sound:
            if file not in self._gated:
                self._gated[file] = self._gate(self._looked[file], frequency, window)
                self._faults.pop(self._looked[file].place[0], None)
        wrong |= {file: self._gated[file].own for file in sound}
        sound = [file for file in sound if not wrong[file]]
        beside = self._beside(sound, frequency, usable)
        return {
            file: Verdict(False, wrong[file] or beside[file][0])
            if wrong[file] or beside[file][0]
            else self._heard(file, sound, usable, beside[file][1])
            for file in self._looked
        }

    def _look(self, file: Path, place: ReadingPlace) -> _Looked:
        try:
            samples, rate = read_wav(file, channel=self.planned.table.channel)
        except InputError as error:
            return _Looked(place, file, str(error).removeprefix(f"{file}").lstrip(": "))
        reference, played_rate = self.session.reference, self.planned.sample_rate
        if played_rate is not None and rate != played_rate:
            return _Looked(
                place, file, f"{rate:g} samples a second, the sweep has {played_rate:g}. Record at that rate"
            )
        if reference is not None and samples.size < reference.size:
            seconds = f"lasts {samples.size / rate:.2f} s and the sweep {reference.size / rate:.2f}"
            return _Looked(place, file, f"cut off, {seconds}. Repeat it, and let the recorder run on")
        said = recording_faults(samples, swept=self.session.kind == "sweep", sample_rate=rate)
        peak = float(np.abs(samples).max())
        record = samples if self._divide is None else self._divide(samples).samples
        looked = _Looked(place, file, "; ".join(said), record, rate, peak)
        if not np.any(record):
            return replace(looked, own="holds nothing of the sweep. Check the cables, and repeat it")
        above, needed = peak_over_noise(record, sample_rate=rate)
        if above < needed and not said:
            words = f"no arrival, its greatest stands {above:.0f} dB above the noise, and must by {needed:.0f}"
            said = [f"{words}. Check the microphone and the level, and repeat it"]
        return replace(looked, own="; ".join(said), arrival=arrival_time(record, sample_rate=rate))

    def _common(self) -> tuple[float, float]:
        """Sample rate of most readings, and the arrival that half of them do not exceed; nan without any."""
        known = [each for each in self._looked.values() if not each.own]
        if not known:
            return np.nan, np.nan
        rate = Counter(each.sample_rate for each in known).most_common(1)[0][0]
        arrivals = [each.arrival for each in known if each.sample_rate == rate]
        # Of two that differ the later one is asked about.
        return rate, arrivals[0] if len(arrivals) < 3 else sorted(arrivals)[(len(arrivals) - 1) // 2]

    def _alone(self, looked: _Looked, rate: float, arrival: float) -> str:
        """What is wrong with it, neighbours apart."""
        if looked.own:
            return looked.own
        if looked.sample_rate != rate:
            return f"{looked.sample_rate:g} samples a second, the others {rate:g}. Record all at one rate"
        if abs(looked.arrival - arrival) * self.session.rig.air.speed_of_sound > FARTHEST_ARRIVAL:
            return (
                f"an arrival at {looked.arrival / MILLISECOND:.2f} ms cannot be right, others lie at"
                f" {arrival / MILLISECOND:.2f}. Check the recorder's start, and repeat it"
            )
        return ""

    def _gate(self, looked: _Looked, frequency: FloatArray, window: Window) -> _Gated:
        record, rate = looked.record, looked.sample_rate
        assert record is not None
        empty = np.zeros(frequency.size)
        end = window.arrival + window.length
        if record.size < end * rate - 1.0:
            ends = f"ends at {1e3 * record.size / rate:.2f} ms, before the gate does ({1e3 * end:.2f} ms)"
            return _Gated(f"{ends}. Record longer, and repeat it", empty.astype(np.complex128), empty)
        reading = Impulse(*looked.place, record, rate, looked.file)
        padded = padded_from([reading], [record], end=end)
        name = self.session.path.name
        own = "".join(padded_words([reading], padded, arrival=window.arrival, session=name)).partition(": ")[2]
        cut = record[: int(np.ceil(end * rate)) + 1]
        pressure = spectra(cut[None], frequency, window=window, sample_rate=rate)[0]
        noise = noise_power(record, frequency, window=window, sample_rate=rate)[0]
        level = np.full(frequency.size, np.nan) if noise is None else noise
        return _Gated(own, pressure, np.fmax(level, tail_power(record, frequency, window=window, sample_rate=rate)))

    def _beside(self, sound: list[Path], frequency: FloatArray, usable: BoolArray) -> dict[Path, tuple[str, str]]:
        """By file what its neighbours and repeats say against it, and what else they say."""
        against: dict[Path, str] = {}
        more: dict[Path, str] = {}
        for plane in dict.fromkeys(self._looked[file].place[0] for file in sound):
            files = [file for file in sound if self._looked[file].place[0] == plane]
            if plane not in self._faults:
                self._faults[plane] = self._plane_faults(files, frequency, usable)
            known, doubt = self._faults[plane]
            against |= {file: fault_words(fault, names) for file, fault, names in known}
            if doubt:
                more[files[-1]] = doubt
            if len({round(self._looked[file].place[1] / SAME_ANGLE) for file in files}) < FEW:
                against = self._few(files, frequency, usable) | against
        right = [file for file in sound if file not in against]
        against |= self._repeats(right, more, frequency, usable)
        for file in sound:
            if words := self._unlike_before(file, frequency, usable):
                more.setdefault(file, words)
        right = [file for file in right if file not in against]
        return {
            file: (against.get(file) or self._step(file, right, frequency, usable), more.get(file, ""))
            for file in sound
        }

    def _plane_faults(
        self, files: list[Path], frequency: FloatArray, usable: BoolArray
    ) -> tuple[list[tuple[Path, Fault, tuple[str, ...]]], str]:
        """What the finished session's check finds in one plane, and what the last reading leaves open.

        Of the last two readings of a run that goes on nobody can say yet which has the wrong level.
        """
        names = tuple(stem(file) for file in files)
        found, newest = self._found(files, frequency, usable), len(files) - 1
        open_now = [each for each in found if each.what == "level" and newest in each.neighbours]
        if open_now and self._goes_on(files) and not self._levels(files[:-1], frequency, usable):
            doubt = f"does not fit {names[open_now[0].reading]} in level, the next angle tells which of both is wrong"
            return [(files[each.reading], each, names) for each in found if each not in open_now], doubt
        return [(files[each.reading], each, names) for each in found], ""

    def _found(self, files: list[Path], frequency: FloatArray, usable: BoolArray) -> list[Fault]:
        noise = self._gated[files[0]].noise
        return faults(
            np.array([self._looked[file].place[0] for file in files]),
            np.array([self._looked[file].place[1] for file in files]),
            np.array([self._gated[file].pressure for file in files]),
            frequency=frequency,
            usable=usable,
            speed_of_sound=self.session.rig.air.speed_of_sound,
            noise=noise if np.all(np.isfinite(noise)) else None,
        )

    def _levels(self, files: list[Path], frequency: FloatArray, usable: BoolArray) -> bool:
        return any(each.what == "level" for each in self._found(files, frequency, usable))

    def _goes_on(self, files: list[Path]) -> bool:
        """Whether the last reading of a plane is the outermost so far, with others planned, or no plan."""
        plane, angles = self._looked[files[-1]].place[0], [self._looked[file].place[1] for file in files]
        if angles[-1] not in (min(angles), max(angles)) or 2.0 * np.pi - (max(angles) - min(angles)) < FARTHEST:
            return False
        there = {key_of(self._looked[file].place)[:2] for file in files}
        wanted = [place for place in self.planned.wanted if place[0] == plane]
        return not wanted or any(key_of(place)[:2] not in there for place in wanted)

    def _pair(self, one: Path, other: Path, frequency: FloatArray, usable: BoolArray) -> Difference | None:
        """The other beside the one, worked out once."""
        if (one, other) not in self._pairs:
            angles = self._looked[one].place[1], self._looked[other].place[1]
            self._pairs[one, other] = self._compared(
                self._gated[one], self._gated[other], angles, frequency=frequency, usable=usable
            )
        return self._pairs[one, other]

    def _compared(
        self, one: _Gated, other: _Gated, angles: tuple[float, float], *, frequency: FloatArray, usable: BoolArray
    ) -> Difference | None:
        noise = np.fmax(one.noise, other.noise)[usable]
        return compared(
            one.pressure[usable],
            other.pressure[usable],
            off_axis=angles,
            frequency=frequency[usable],
            speed_of_sound=self.session.rig.air.speed_of_sound,
            noise=noise if np.all(np.isfinite(noise)) else None,
        )

    def _unlike_before(self, file: Path, frequency: FloatArray, usable: BoolArray) -> str:
        """In what a reading that has replaced another differs from that; told once it is there."""
        former = self._former.pop(file, None)
        if former is not None:
            angle = self._looked[file].place[1]
            pair = self._compared(former, self._gated[file], (angle, angle), frequency=frequency, usable=usable)
            if pair is not None and pair.inverted:
                self._unlike[file] = "the former one was of the opposite polarity"
            elif pair is not None and abs(pair.louder) > DRIFTED_DB:
                self._unlike[file] = f"{louder(pair.louder)} than the former one"
        return self._unlike.get(file, "")

    def _step(self, file: Path, right: list[Path], frequency: FloatArray, usable: BoolArray) -> str:
        """What the nearest earlier angle of its plane says against its level, where no more can be told yet."""
        plane, angle, _ = self._looked[file].place
        earlier = right[: right.index(file)] if file in right else []
        away = {e: abs(self._looked[e].place[1] - angle) for e in earlier if self._looked[e].place[0] == plane}
        near = min((each for each in away if away[each] > SAME_ANGLE), key=lambda each: away[each], default=None)
        pair = self._pair(near, file, frequency, usable) if near is not None and away[near] < NEAREST else None
        if near is None or pair is None or abs(pair.louder) < STEP_DB:
            return ""
        return f"{louder(pair.louder)}, repeat it: than {stem(near)}, the nearest. Check that no gain was turned"

    def _repeats(
        self, files: list[Path], more: dict[Path, str], frequency: FloatArray, usable: BoolArray
    ) -> dict[Path, str]:
        """Readings that others of their direction contradict; `more` is added to where these have drifted a little."""
        found: dict[Path, str] = {}
        groups: dict[tuple[float, int], list[Path]] = {}
        for file in files:
            plane, angle, _ = self._looked[file].place
            # On axis all planes are one direction.
            on_axis = abs(angle) < SAME_ANGLE
            groups.setdefault((0.0 if on_axis else plane, round(angle / SAME_ANGLE)), []).append(file)
        for group in groups.values():
            said: dict[Path, dict[Path, str]] = {file: {} for file in group}
            for file in group:
                for other in group:
                    if other != file:
                        said[file][other] = repeat_words(self._pair(other, file, frequency, usable), other)
            alone = ". A third one tells which is right" if len(group) == 2 else ""
            wrong = outvoted(said)
            found |= {file: words + alone for file, words in wrong.items()}
            first, *others = [file for file in group if file not in wrong]
            for file in others:
                pair = self._pair(first, file, frequency, usable)
                if pair is not None and abs(pair.louder) > DRIFTED_DB:
                    more.setdefault(file, f"{louder(pair.louder)} than {stem(first)}")
        return found

    def _few(self, files: list[Path], frequency: FloatArray, usable: BoolArray) -> dict[Path, str]:
        """Polarity where too few angles are there for more: most of those near have it right."""
        said: dict[Path, dict[Path, str]] = {file: {} for file in files}
        for index, file in enumerate(files):
            for other in files[:index]:
                away = abs(self._looked[file].place[1] - self._looked[other].place[1])
                pair = self._pair(other, file, frequency, usable) if SAME_ANGLE < away < FARTHEST else None
                if pair is not None and pair.inverted is not None:
                    for one, two in ((file, other), (other, file)):
                        words = f"inverted, repeat it: of the opposite polarity to {stem(two)}"
                        said[one][two] = words if pair.inverted else ""
        sure = {file: "" if len(said[file]) > 1 else ", or that one is" for file in files}
        return {file: f"{words}{sure[file]}. Check the leads" for file, words in outvoted(said).items()}

    def _heard(self, file: Path, sound: list[Path], usable: BoolArray, else_said: str) -> Verdict:
        """A reading that nothing speaks against but perhaps its noise."""
        signal = self._signal(file, usable)
        more = f"; {else_said}" if else_said else ""
        peak = f"peak {amplitude_db(max(self._looked[file].peak, 1e-300)):.0f} dB of full scale{more}"
        if not np.isfinite(signal):
            return Verdict(True, f"good, {peak}")
        if signal < LEAST_SIGNAL_DB:
            others = [float(np.nanmedian(self._gated[each].noise[usable])) for each in sound if each != file]
            noise = float(np.nanmedian(self._gated[file].noise[usable]))
            gust = len(others) > 1 and float(power_db(noise / max(np.median(others), 1e-300))) > NOISIER_DB
            if gust or abs(self._looked[file].place[1]) < SAME_ANGLE:
                why = "noisier than the others" if gust else "on axis, to which all levels refer"
                need = f"it should have {LEAST_SIGNAL_DB:.0f}"
                return Verdict(False, f"only {signal:.0f} dB signal to noise, repeat it: {why}; {need}")
        return Verdict(True, f"good, {signal:.0f} dB signal to noise, {peak}")

    def _signal(self, file: Path, usable: BoolArray) -> float:
        """Signal to noise, dB, the median over trusted frequencies; nan where the noise is not known."""
        gated = self._gated[file]
        if not np.any(usable) or not np.all(np.isfinite(gated.noise[usable])):
            return float("nan")
        square = np.abs(gated.pressure[usable]) ** 2
        return float(np.median(power_db(square / np.maximum(gated.noise[usable], np.finfo(float).tiny))))

"""The command that plays sweeps and records them, angle by angle, and asks before each."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

from evenflare.cli.arguments import AddCommand, path
from evenflare.cli.telling import ANSWER_IS_NO, DONE, INTERRUPTED, tell, warn
from evenflare.files import InputError

if TYPE_CHECKING:
    from evenflare.commands.capturing import Capture, Sweep
    from evenflare.measurement.planned import ReadingPlace
    from evenflare.measurement.sound_card import SoundCard

SWEEP = {
    "from_hz": (1.0, 100e3),
    "to_hz": (1.0, 100e3),
    "seconds": (0.1, 60.0),
    "fade_in_ms": (0.0, 5000.0),
    "fade_out_ms": (0.0, 5000.0),
    "sample_rate": (8000.0, 384000.0),
    "level_db": (-80.0, 0.0),
}
"""Options of a sweep that is to be made, and their ranges."""
RANGES = {
    **SWEEP,
    "start_db": (-80.0, -20.0),
    "tail_ms": (50.0, 10000.0),
    "output_channel": (1.0, 64.0),
    "input_channel": (1.0, 64.0),
    "loopback_channel": (1.0, 64.0),
}


class _StoppedError(Exception):
    """The user has seen enough."""


def add(command: AddCommand) -> None:
    """Its options."""
    capture = command(
        "capture",
        "Play the sweep, record it, check it, and name the file, angle by angle, by a sound card",
        "example: evenflare capture plan/session.toml --from-hz 800 --loopback-channel 2\n"
        "example: evenflare capture plan/session.toml --from-hz 800 --rehearse\n\n"
        'The session is of kind = "sweep" with a [plan] (evenflare plan --sweep --out plan writes one). The sweep is\n'
        "made where the session's reference is not there yet, and is the same for all readings. It begins quietly and\n"
        "goes up in steps of 10 dB, each after Enter. Then: Enter records the next angle, r repeats the last one, k\n"
        "keeps one that is to be repeated, q stops; the same command goes on where it stopped.\n"
        "With --loopback-channel an input wired to the output says when the sound began, and is the reference:\n"
        "what the card adds goes, and all readings have one delay. Without it a card may start late now and then.\n"
        "Needs a library: pip install 'evenflare[capture]'. A sweep is loud at the mouth: read the cautions first.",
    )
    capture.add_argument("session", type=path, nargs="?", metavar="SESSION", help="session file (TOML), or its folder")
    capture.add_argument(
        "--from-hz", type=float, help="where the sweep begins: the lowest that the driver may be given"
    )
    capture.add_argument("--to-hz", type=float, help="where it ends (default 20000)")
    capture.add_argument("--seconds", type=float, help="how long it is (default 4)")
    capture.add_argument("--fade-in-ms", type=float, help="default 50")
    capture.add_argument("--fade-out-ms", type=float, help="default 10")
    capture.add_argument("--sample-rate", type=float, help="samples a second (default 48000)")
    capture.add_argument("--level-db", type=float, help="its peak, re full scale (default -12)")
    capture.add_argument("--start-db", type=float, default=-40.0, help="the first, quiet level (default -40)")
    capture.add_argument("--tail-ms", type=float, default=500.0, help="recorded after the sweep (default 500)")
    capture.add_argument("--device", help="the card's number, or a part of its name (default: the system's)")
    capture.add_argument("--output-channel", type=int, default=1, help="that the amplifier is at (default 1)")
    capture.add_argument("--input-channel", type=int, default=1, help="that the microphone is at (default 1)")
    capture.add_argument("--loopback-channel", type=int, help="input that is wired to the output")
    capture.add_argument("--devices", action="store_true", help="list the sound cards instead")
    capture.add_argument("--rehearse", action="store_true", help="only say what would be played and taken")
    capture.add_argument("--no-bell", action="store_true", help="no bell for what is to be repeated")
    capture.add_argument(
        "--yes",
        action="store_true",
        help="for scripts that turn the table: the cautions are seen to; takes the next reading of the plan and ends",
    )


def _capture(options: argparse.Namespace) -> int:
    from evenflare.measurement import sound_card

    if options.devices:
        print(sound_card.devices())
        return DONE
    if options.session is None:
        raise InputError("SESSION: missing. Name a session file, as evenflare plan --sweep --out plan writes it")
    from evenflare.commands.capturing import Capture, Channels, cautions

    sweep = _sweep(options)
    channels = Channels(options.output_channel, options.input_channel, options.loopback_channel)
    capture = Capture(
        options.session, sweep=sweep, channels=channels, tail=1e-3 * options.tail_ms, start=options.start_db
    )
    print("Cautions:")
    for line in cautions():
        print(f"  [ ] {line}")
    for line in capture.lines():
        print(line)
    if options.rehearse:
        return DONE
    if not options.yes and not sys.stdin.isatty():
        raise InputError(
            "standard input is no terminal, and capture asks before every sound. Run it in a terminal; --yes is for"
            " scripts, --rehearse plays nothing"
        )
    card = sound_card.sound_card(options.device)
    warn([] if capture.bench is None else capture.bench.notes)
    if not capture.pending():
        print(_finished(capture))
        return DONE
    try:
        if options.yes:
            return _one(capture, card)
        if _answer("Type yes when all of this is seen to, q to stop: ", {"yes", "q"}) == "q":
            print("Nothing was played")
            return DONE
        _approach(capture, card, lambda question: _answer(question, {"", "q"}))
        _take_all(capture, card, bell=sys.stderr.isatty() and not options.no_bell)
    except _StoppedError:
        print("\n".join(capture.summary()))
    except KeyboardInterrupt:
        print("\n" + "\n".join(capture.summary()))
        tell("interrupted; what was recorded is kept, the same command goes on")
        return INTERRUPTED
    return DONE


def _sweep(options: argparse.Namespace) -> Sweep | None:
    """The sweep that the options ask for, or None where they ask for none. Errors: InputError."""
    from evenflare.commands.capturing import Sweep

    for key, (low, high) in RANGES.items():
        value = getattr(options, key)
        if value is not None and not low <= value <= high:
            raise InputError(f"--{key.replace('_', '-')} {value:g}: must be {low:g} to {high:g}. Correct it")
    if options.loopback_channel == options.input_channel:
        raise InputError(
            f"--loopback-channel {options.loopback_channel}: is the microphone's too. Name another --input-channel"
        )
    given = {key: getattr(options, key) for key in SWEEP if getattr(options, key) is not None}
    if not given:
        return None
    if "from_hz" not in given:
        key = next(iter(given)).replace("_", "-")
        raise InputError(
            f"--from-hz: missing beside --{key}. State the lowest frequency that the driver may be played at, as in"
            " --from-hz 800"
        )
    unit = {"fade_in_ms": 1e-3, "fade_out_ms": 1e-3}
    names = {
        "from_hz": "lowest",
        "to_hz": "highest",
        "seconds": "duration",
        "fade_in_ms": "fade_in",
        "fade_out_ms": "fade_out",
        "sample_rate": "sample_rate",
        "level_db": "level",
    }
    sweep = Sweep(**{names[key]: unit.get(key, 1.0) * value for key, value in given.items()})
    if not sweep.lowest < sweep.highest <= 0.5 * sweep.sample_rate:
        raise InputError(
            f"--from-hz {sweep.lowest:g} and --to-hz {sweep.highest:g}: must rise, to at most half of --sample-rate"
            f" ({0.5 * sweep.sample_rate:g}). Correct them"
        )
    if sweep.fade_in + sweep.fade_out > sweep.duration:
        raise InputError(f"--seconds {sweep.duration:g}: must hold both fades. Shorten these, or lengthen it")
    return sweep


def _approach(capture: Capture, card: SoundCard, ask: Callable[[str], str]) -> None:
    """From quiet to the sweep's own level, each step asked for and heard."""
    steps = capture.levels
    for level, following in zip(steps, [*steps[1:], None], strict=True):
        fits, question = False, f"Enter plays the sweep at {level:.0f} dB of full scale, q stops: "
        while not fits:
            if ask(question) == "q":
                raise _StoppedError
            fits, words = capture.try_level(card, level, following)
            print(words)
            question = f"Enter plays it at {level:.0f} dB again, q stops: "


def _take_all(capture: Capture, card: SoundCard, *, bell: bool) -> None:
    """Reading after reading, until the plan is complete."""
    from evenflare.commands.capturing import where

    last: ReadingPlace | None = None
    kept: set[ReadingPlace] = set()
    while left := [place for place in capture.pending() if place not in kept]:
        place, again = left[0], capture.is_there(left[0])
        answers = {"": "Enter records it", "q": "q stops"}
        if again:
            answers["k"] = "k keeps the one that is there"
        if last is not None and last != place:
            answers["r"] = f"r repeats {where(last)}"
        question = f"{where(place)}{' again' if again else ''}: turn there. {', '.join(answers.values())}: "
        answer = _answer(question, set(answers))
        if answer == "q":
            raise _StoppedError
        if answer == "k":
            kept.add(place)
            continue
        last = last if answer == "r" and last is not None else place
        if not _take(capture, card, last) and bell:
            sys.stderr.write("\a")
            sys.stderr.flush()
    print(_finished(capture))


def _one(capture: Capture, card: SoundCard) -> int:
    """The next reading of the plan, without a question; the levels up to the first one too."""
    if capture.bench is None:
        steps = capture.levels
        for level, following in zip(steps, [*steps[1:], None], strict=True):
            fits, words = capture.try_level(card, level, following)
            print(words)
            if not fits:
                raise InputError(f"level {level:.0f} dB: {words}")
    good = _take(capture, card, capture.pending()[0])
    if not capture.pending():
        print(_finished(capture))
    return DONE if good else ANSWER_IS_NO


def _take(capture: Capture, card: SoundCard, place: ReadingPlace) -> bool:
    """Record it and say what it is worth, and what it says of others; whether it is good."""
    from evenflare.measurement.spoken import stem

    before = capture.verdicts
    verdict = capture.take(card, place)
    print(f"{stem(capture.wanted[place])}: {verdict.words}", flush=True)
    for file, other in capture.verdicts.items():
        if file != capture.wanted[place] and file in before and before[file].good != other.good:
            print(f"{stem(file)}: {'after all ' if other.good else 'now '}{other.words}", flush=True)
    return verdict.good


def _finished(capture: Capture) -> str:
    left = len(capture.pending())
    state = f"all {len(capture.wanted)} are there" + (f", {left} to be repeated" if left else " and good")
    return f"{state}. Next: evenflare measure {capture.path} --out measured"


def _answer(question: str, allowed: set[str]) -> str:
    """What the user types, one of those allowed; an end of input is a stop."""
    while True:
        print(question, end="", flush=True)
        line = sys.stdin.readline()
        if not line:
            print()
            raise _StoppedError
        if line.strip().lower() in allowed:
            return line.strip().lower()


COMMANDS = {"capture": _capture}
"""What each does; the exit code."""

"""Shapes solved one after the other while they are pulled: the latest counts, what nobody waits for is dropped."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal, NamedTuple

from evenflare.design.file import Design
from evenflare.files import InputError, is_file, short
from evenflare.radiation import Setting
from evenflare.target.target import Target
from evenflare.workbench import sound
from evenflare.workbench.news import kept_news

QUICK = 0.12
"""s within which an answer at full follows a hand; where it takes longer, screen is used while something moves."""
PATIENT = 1.0
"""s; an answer at full that takes longer is told first without its own error, which follows."""
SLOW = 5.0
"""s of the first answer, after which it is said why."""

Queue = Literal["screen", "full", "beside"]
"""Of shapes that wait: for an answer at a setting, or, at full, to be compared with."""
Told = Callable[[str, dict[str, Any]], None]
"""Called, from any thread, with what kind of news there is, and the news."""


class _Asked(NamedTuple):
    """A shape to be solved, by its number.

    path   : of its file, for messages, and
    source : of the file that says in which cabinet it stands.
    words  : what it is, of one to compare with.
    """

    number: int
    design: Design
    target: Target | None
    path: Path
    source: Path
    words: str = ""


class Answers:
    """Answers shapes in a thread for each queue, so that a slow exact answer does not hold up a hand.

    latest : what was told last; None before the first answer.
    heard  : the sound that it tells of.
    """

    def __init__(self, told: Told) -> None:
        """told : is given answers, and words on what takes long."""
        self.latest: dict[str, Any] | None = None
        self.heard: sound.ShapeSound | None = None
        self._told = told
        self._number, self._full_takes = 0, 0.0
        self._answered = (0, 0)
        self._waiting: dict[Queue, _Asked | None] = {"screen": None, "full": None, "beside": None}
        self._closed = self._prepared = False
        self._news, self._cabinet = threading.Condition(), threading.Lock()
        self._threads = [threading.Thread(target=self._solve, args=(each,), daemon=True) for each in self._waiting]

    def start(self) -> None:
        """Begin to answer."""
        for each in self._threads:
            each.start()

    def close(self) -> None:
        """Answer nothing more."""
        with self._news:
            self._closed = True
            self._news.notify_all()

    def ask(
        self, design: Design, target: Target | None, *, path: Path, source: Path, moving: bool, seen: bool = False
    ) -> None:
        """Have a shape solved; what was asked for before and has not begun is dropped.

        moving : another shape is about to follow: full only where it is quick.
        seen   : it was asked for while it moved: where full is not quick, a screen would only hold it up.
        """
        with self._news:
            self._number += 1
            asked = _Asked(self._number, design, target, path, source)
            slow = self._full_takes > QUICK
            self._waiting["screen"] = asked if slow and not seen else None
            self._waiting["full"] = None if moving and slow else asked
            self._news.notify_all()

    def compare(self, design: Design, target: Target, *, path: Path, words: str) -> None:
        """Have a shape solved that others are compared with; words : what it is."""
        with self._news:
            self._waiting["beside"] = _Asked(0, design, target, path, path, words)
            self._news.notify_all()

    def _solve(self, queue: Queue) -> None:
        """Answer the latest that waits in a queue, until all is closed."""
        while True:
            with self._news:
                self._news.wait_for(lambda: self._closed or self._waiting[queue] is not None)
                asked, self._waiting[queue] = self._waiting[queue], None
                if self._closed or asked is None:
                    return
            slow = threading.Timer(SLOW, self._say, ["Compiling the solver for this machine: once, up to a minute"])
            slow.daemon = True
            if asked.number == 1:
                slow.start()
            try:
                if queue == "beside":
                    self._compare(asked)
                else:
                    self._answer(asked, queue)
            except InputError as error:
                self._fault(asked, str(error))
            except Exception as error:  # a fault of ours must not end the thread: the page would wait for ever
                self._fault(asked, f"internal error: {short(str(error))}")
            finally:
                slow.cancel()
                if asked.number == 1:
                    self._say("Solved: pull a handle, or type a number")

    def _fault(self, asked: _Asked, words: str) -> None:
        if asked.words:
            self._told("said", {"words": f"{asked.words} cannot be compared with: {words}", "bad": True})
        else:
            self._told("sound", {"number": asked.number, "fault": words})

    def _compare(self, asked: _Asked) -> None:
        found, news = self._found(asked, "full")
        self._told("kept", kept_news(found.design, news, asked.words))

    def _found(
        self, asked: _Asked, setting: Setting, *, checked: bool = True
    ) -> tuple[sound.ShapeSound, dict[str, Any]]:
        """The sound of a shape, and what is told of it."""
        with self._cabinet:
            self._prepare_cabinet(asked)
        found = sound.solved(asked.path, asked.design, asked.target, setting, checked=checked)
        news: dict[str, Any] = {"number": asked.number, "fault": "", "curves": sound.curves(found)}
        if asked.target is not None:
            news["wanted"] = sound.wanted(asked.target, found.directivity.observation.frequency)
            try:
                news["judged"] = sound.judged(found, asked.target, asked.path)
            except InputError as error:
                news["judged"] = {"fault": str(error)}
        return found, news

    def _answer(self, asked: _Asked, setting: Setting) -> None:
        if setting == "screen":
            self._tell(asked, 0, *self._found(asked, setting))
            return
        if self._full_takes > PATIENT:
            self._tell(asked, 1, *self._found(asked, setting, checked=False))
            if self._waiting["full"] is not None:  # nobody waits for this one's error any more
                return
        found, news = self._found(asked, setting)
        self._full_takes = found.seconds
        self._tell(asked, 2, found, news)

    def _tell(self, asked: _Asked, exactness: int, found: sound.ShapeSound, news: dict[str, Any]) -> None:
        """Tell an answer, but none to something older, nor a less exact one after one more exact."""
        with self._news:
            if (asked.number, exactness) > self._answered:
                self._answered = asked.number, exactness
                self.latest, self.heard = news, found
                self._told("sound", news)

    def _prepare_cabinet(self, asked: _Asked) -> None:
        """Solve the cabinet first, once, if that was not done before; everybody is told how far it is."""
        if self._prepared or asked.design.waveguide.mounting.cabinet is None:
            return
        from evenflare.commands import cabinets

        question = cabinets.question_of(asked.source) if is_file(asked.source) else None
        if question is not None and cabinets.is_missing(question):
            self._say(f"Solving {question.words}")

            def progress(here: cabinets.CabinetProgress) -> None:
                self._say(f"The cabinet: {here.done} of {here.total} frequencies are solved")

            cabinets.prepare(question, progress)
            self._say("The cabinet is solved")
        self._prepared = True

    def _say(self, words: str) -> None:
        self._told("said", {"words": words, "bad": False})

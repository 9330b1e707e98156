"""What is open on the page: a design, its target, a run; what is asked of them, and what whoever looks is told."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from evenflare.commands.observing import winner_observation
from evenflare.design.file import Design, design_of, design_toml
from evenflare.files import InputError, is_folder, short
from evenflare.target.target import Target
from evenflare.waveguide import Waveguide
from evenflare.workbench import runs, wishes
from evenflare.workbench.answers import Answers, Told
from evenflare.workbench.draft import EditedFile, Place
from evenflare.workbench.knobs import Knob, knobs
from evenflare.workbench.news import PROCESSES, kept_news, shape_news, target_news

LONGEST_NAME = 120
"""Characters of a file's name that is given on the page."""


class Workbench:
    """One design with its target and run. Its methods are called one at a time; solving goes on in a thread of its own.

    told : called, from any thread, with each kind of news as a whole; later news of a kind replace earlier ones.
    """

    def __init__(
        self,
        folder: Path,
        told: Told,
        *,
        design: EditedFile[Design] | None,
        target: EditedFile[Target] | None,
        run: Path | None,
    ) -> None:
        """folder : outside of which nothing is read or written for a browser."""
        self.folder, self._told = folder, told
        self.design, self.target, self.run = design, target, run
        self.process: runs.RunningCommand | None = None
        self._answers = Answers(told)
        self._asked = ("", "")
        # What was read of a run, and what its folder was like then.
        self._reported: tuple[object, dict[str, Any]] = (None, {})

    def start(self) -> None:
        """Begin to solve, and tell what there is."""
        self._answers.start()
        self.tell_target()
        self.tell_shape()
        self.tell_run()
        self.ask()

    def close(self) -> None:
        """End what solves, and a process that was started here."""
        self._answers.close()
        if self.process is not None:
            self.process.stop(wait=runs.GRACE)

    def ask(self, *, moving: bool = False) -> None:
        """Have the shape solved as it is now."""
        if self.design is not None:
            target, draft = self.target, self.design
            source = draft.path if target is None else target.path
            texts = draft.text, "" if target is None else target.text
            self._answers.ask(
                draft.value,
                None if target is None else target.value,
                path=draft.path,
                source=source,
                moving=moving,
                seen=texts == self._asked and not moving,
            )
            self._asked = texts

    # What a browser asks for ----------------------------------------------------------------------------------------

    def handle(self, asked: Mapping[str, Any]) -> None:
        """Do what a message asks for. InputError for whatever cannot be done."""
        does = {
            "pull": self._pull,
            "undo": lambda _: self._step("undo"),
            "redo": lambda _: self._step("redo"),
            "keep": lambda _: self._keep(),
            "save": self._save,
            "wish": self._wish,
            "undo_wish": lambda _: self._step_wish("undo"),
            "redo_wish": lambda _: self._step_wish("redo"),
            "save_wish": self._save_wish,
            "front": self._front,
            "pick": self._pick,
            "search": self._search,
            "stop": lambda _: self._stop(),
            "export": self._export,
        }
        action = does.get(str(asked.get("do")))
        if action is None:
            raise InputError(f"{short(str(asked.get('do')))}: is nothing that the page can ask for")
        action(asked)

    def _pull(self, asked: Mapping[str, Any]) -> None:
        draft = self._open_design()
        moving = bool(asked.get("moving"))
        try:
            draft.edit(self._changes(asked, knobs(draft.tables())), moving=moving)
        finally:
            self.tell_shape()
        self.ask(moving=moving)

    def _step(self, way: str) -> None:
        draft = self._open_design()
        getattr(draft, way)()
        self.tell_shape()
        self.ask()

    def _keep(self) -> None:
        """The shape as it is now, to compare with."""
        if self._answers.latest is not None and self._answers.heard is not None:
            self._told("kept", kept_news(self._answers.heard.design, self._answers.latest, "The shape as it was"))

    def _save(self, asked: Mapping[str, Any]) -> None:
        draft = self._open_design()
        draft.save(self._named(asked.get("name"), ".toml"))
        self.tell_shape()
        self.say(f"Saved: {draft.path.name}")

    def _wish(self, asked: Mapping[str, Any]) -> None:
        draft = self._open_target()
        moving = bool(asked.get("moving"))
        try:
            draft.edit(self._changes(asked, wishes.points(draft.tables())), moving=moving)
        finally:
            self.tell_target()
        self.ask(moving=moving)

    def _step_wish(self, way: str) -> None:
        getattr(self._open_target(), way)()
        self.tell_target()
        self.ask()

    def _save_wish(self, asked: Mapping[str, Any]) -> None:
        draft = self._open_target()
        draft.save(self._named(asked.get("name"), ".toml"))
        self.tell_target()
        self.say(f"Saved: {draft.path.name}")

    def _front(self, asked: Mapping[str, Any]) -> None:
        self._told("front", runs.front(self._open_run(), str(asked.get("x")), str(asked.get("y"))))

    def _pick(self, asked: Mapping[str, Any]) -> None:
        """A candidate of the run as the shape that is pulled, beside the best; what was there is one step back."""
        number = asked.get("number")
        if number is not None and not isinstance(number, int):
            raise InputError(
                f"candidate {short(str(number))}: must be a whole number. Click a point, or type its number"
            )
        found, waveguide = runs.candidate(self._open_run(), number)
        if self.target is None:
            raise InputError("the run has no target. Open its folder again")
        target = self.target.value
        design = _candidate(found, waveguide, target)
        if self.design is None:
            self.design = EditedFile(self.folder / f"candidate_{found}.toml", design_of, text=design_toml(design))
        else:
            self.design.replace(design_toml(design))
        self.tell_shape()
        best = runs.leader(self._open_run())
        if best is not None and best != found:
            _, leader = runs.candidate(self._open_run(), best)
            compared = _candidate(best, leader, target)
            self._answers.compare(compared, target, path=self.target.path, words=f"The best, candidate {best},")
        self._told("picked", {"number": found})
        self.ask()

    def _search(self, asked: Mapping[str, Any]) -> None:
        """Start or continue a search for the target that is open, in a folder of its own."""
        self._idle()
        target = self._open_target()
        if not target.saved:
            raise InputError("the target has changes that are not saved: a search reads its file. Save it first")
        name = asked.get("folder")
        folder = self.run if name is None else self._named(name, "")
        if folder is None:
            raise InputError("a search needs a folder for what it finds. Type a name")
        words = ["search", str(target.path), "--out", str(folder)]
        for option in ("minutes", "candidates"):
            value = asked.get(option)
            if value is not None:
                if not isinstance(value, int | float) or isinstance(value, bool) or value <= 0:
                    raise InputError(f"{option} = {short(str(value))}: must be a number above 0. Correct it")
                words += [f"--{option}", f"{value:g}"]
        if bool(asked.get("from_shape")) and self.design is not None:
            if not self.design.saved:
                raise InputError("the shape has changes that are not saved: a search reads its file. Save it first")
            words += ["--from", str(self.design.path)]
        self.run = folder
        self.process = runs.RunningCommand(words, self.folder)
        self.tell_run()

    def _stop(self) -> None:
        if self.process is None or not self.process.running:
            raise InputError("nothing runs that was started on this page. Stop a search where it was started")
        self.process.stop()
        self.say("Asked to stop: the best so far is written first")

    def _export(self, asked: Mapping[str, Any]) -> None:
        self._idle()
        draft = self._open_design()
        if not draft.saved:
            raise InputError("the shape has changes that are not saved: export reads its file. Save it first")
        process = asked.get("process")
        if process not in PROCESSES:
            raise InputError(f"process {short(str(process))}: must be one of {', '.join(PROCESSES)}")
        folder = self._named(asked.get("folder"), "")
        if folder is None:
            raise InputError("an export needs a folder. Type a name")
        words = ["export", str(draft.path), "--process", str(process), "--out", str(folder)]
        self.process = runs.RunningCommand(words, self.folder)
        self.tell_run()

    def _changes(self, asked: Mapping[str, Any], known: list[Knob]) -> dict[Place, Any]:
        """What a message changes, by place. InputError for a name or number that cannot be."""
        by_name = {each.name: each for each in known}
        changes = asked.get("changes")
        if not isinstance(changes, dict) or not changes:
            raise InputError("nothing to change was named")
        found: dict[Place, Any] = {}
        for name, value in changes.items():
            if name not in by_name:
                raise InputError(f"{short(str(name))}: is nothing that can be pulled here")
            knob = by_name[name]
            if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e9:
                raise InputError(f"{knob.label} = {short(str(value))}: must be a number. Type it without its unit")
            if not knob.low <= value <= knob.high:
                raise InputError(
                    f"{knob.label} = {value:g} {knob.unit}: must be {knob.low:g} to {knob.high:g}. Correct it"
                )
            found |= dict.fromkeys((knob.place, *knob.also), round(float(value), 6))
        return found

    def _named(self, name: object, ending: str) -> Path | None:
        """A file or folder beside what was opened, None without a name. InputError for one that leads elsewhere."""
        if name is None or name == "":
            return None
        text = str(name)
        plain = text.removesuffix(ending) if ending else text
        fit = all(each.isalnum() or each in " _-" for each in plain) and plain.strip() == plain and plain
        if not fit or len(text) > LONGEST_NAME:
            raise InputError(
                f"{short(text)}: must be a name of letters, digits, blanks, - and _, in the folder that was opened."
                " Choose another"
            )
        return self.folder / f"{plain}{ending}"

    def _idle(self) -> None:
        if self.process is not None and self.process.running:
            raise InputError(f"{self.process.words.split()[0]} is still at work. Stop it, or wait for it")

    def _open_design(self) -> EditedFile[Design]:
        if self.design is None:
            raise InputError("no shape is open. Pick a candidate of the run, or open a design")
        return self.design

    def _open_target(self) -> EditedFile[Target]:
        if self.target is None:
            raise InputError("no target is open. Open one, or name it with --target")
        return self.target

    def _open_run(self) -> Path:
        if self.run is None:
            raise InputError("no run is open. Start a search, or open a run's folder")
        return self.run

    def space(self) -> tuple[str, str]:
        """A page with the shape in space as it is now, and by what its policy lets its script run. InputError without
        a shape.
        """
        from evenflare.report.kit.sheet import rendered
        from evenflare.report.waveguide.page import space_view

        draft, found = self._open_design(), self._answers.heard
        directivity = found.directivity if found is not None and found.design == draft.value else None
        shown = space_view(draft.value.waveguide, directivity)
        return rendered("space.html", title=draft.value.name, view=shown), str(shown["script_hash"])

    # What browsers are told -----------------------------------------------------------------------------------------

    def say(self, words: str, *, bad: bool = False) -> None:
        """A line for everybody."""
        self._told("said", {"words": words, "bad": bad})

    def tell_shape(self) -> None:
        """The wall, its handles and numbers."""
        self._told("shape", {"open": False} if self.design is None else shape_news(self.design))

    def tell_target(self) -> None:
        """The wanted curves, what can be pulled of them, and what contradicts itself."""
        self._told("target", {"open": False} if self.target is None else target_news(self.target))

    def tell_run(self) -> None:
        """A run's folder, and a process that was started here."""
        process = None
        if self.process is not None:
            process = {
                "words": self.process.words,
                "running": self.process.running,
                "code": self.process.code,
                "said": self.process.said[-12:],
            }
        if self.run is None or not is_folder(self.run):
            self._told("run", {"open": self.run is not None, "process": process, "folder": self.run and self.run.name})
            return
        stamp = (self.run, runs.stamp(self.run))
        if stamp != self._reported[0]:
            try:
                self._reported = stamp, runs.report(self.run)
            except InputError as error:
                self._reported = stamp, {"fault": str(error)}
        self._told(
            "run",
            {
                "open": True,
                "folder": self.run.name,
                "process": process,
                **runs.at_work(self.run),
                **self._reported[1],
            },
        )


def _candidate(number: int, waveguide: Waveguide, target: Target) -> Design:
    """A candidate of a search as a design."""
    return Design(f"{target.name}: candidate {number}", waveguide, target.air, winner_observation(target, waveguide))

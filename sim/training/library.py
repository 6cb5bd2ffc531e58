"""All exercises that can be given to a class: those that come with busbay, and those written here.

    library = Library(data_folder() / "exercises")
    library.save("tail-lamps", text)
    library.find("tail-lamps").text

An own exercise is a file like the shipped ones. None of the shipped ones is ever written over.

Not modeled: several authors who write at the same time.
"""

from __future__ import annotations

import json
import os
import re
from dataclasses import dataclass
from pathlib import Path

from sim.catalogue import shipped_exercises
from sim.training.exercise import Exercise, exercise_from_text
from sim.vehicle.problems import Problem, did_you_mean

NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
LONGEST_FILE_NAME = 60
DRAFT = "draft.json"


@dataclass(frozen=True, slots=True)
class Entry:
    """One exercise: its file name without ending, its text, what it says, and whether it was written here."""

    name: str
    text: str
    exercise: Exercise
    own: bool


class Library:
    """The exercises of this server; `folder` holds the own ones and is made when the first is saved."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._read: dict[Path, tuple[tuple[int, int], Entry | Problem]] = {}

    def entries(self) -> list[Entry]:
        """All exercises that can be read, those that come with busbay first."""
        return [one for one in self._all().values() if isinstance(one, Entry)]

    def problems(self) -> list[str]:
        """Why own files cannot be read, a sentence each."""
        return [str(one) for one in self._all().values() if isinstance(one, Problem)]

    def find(self, name: str) -> Entry:
        """One exercise by its name."""
        known = self._all()
        found = known.get(name)
        if found is None:
            raise Problem(f"no exercise '{name}'{did_you_mean(name, known)}")
        if isinstance(found, Problem):
            raise found
        return found

    def save(self, name: str, text: str) -> Path:
        """Keep an own exercise under a name; one of that name is written over, a shipped one never."""
        if not NAME.fullmatch(name) or len(name) > LONGEST_FILE_NAME:
            raise Problem(
                f"a file name is made of at most {LONGEST_FILE_NAME} lower-case letters and digits, with - "
                f"between them (here: '{name[:80]}')"
            )
        if name in shipped_exercises():
            raise Problem(f"'{name}' comes with busbay and is not overwritten; choose another name")
        exercise_from_text(text, f"{name}.yaml")
        path = self._folder / f"{name}.yaml"
        self._write(path, text)
        return path

    def delete(self, name: str) -> None:
        """Delete an own exercise; classes that were given it keep it."""
        if not self.find(name).own:
            raise Problem(f"'{name}' comes with busbay and is not deleted")
        (self._folder / f"{name}.yaml").unlink(missing_ok=True)

    # -- a draft ---------------------------------------------------------------------------------------

    def keep_draft(self, fields: dict[str, str]) -> None:
        """Keep what was typed so far, as it is."""
        self._write(self._folder / DRAFT, json.dumps(fields, ensure_ascii=False, indent=1))

    def draft(self) -> dict[str, str]:
        """What was kept of a draft; nothing where there is none."""
        try:
            kept = json.loads((self._folder / DRAFT).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return {str(key): str(value) for key, value in kept.items()} if isinstance(kept, dict) else {}

    # -- files -----------------------------------------------------------------------------------------

    def _write(self, path: Path, text: str) -> None:
        """Write a whole file or none of it."""
        beside = path.with_suffix(".new")
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            with beside.open("w", encoding="utf-8") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            beside.replace(path)
        except OSError as error:
            raise Problem(f"{path} cannot be written: {error.strerror}") from None

    def _all(self) -> dict[str, Entry | Problem]:
        found = {name: self._entry(path, own=False) for name, path in shipped_exercises().items()}
        for path in sorted(self._folder.glob("*.yaml")):
            found.setdefault(path.stem, self._entry(path, own=True))
        return found

    def _entry(self, path: Path, own: bool) -> Entry | Problem:
        """A file read once for each of its states."""
        try:
            state = path.stat()
            stamp = (state.st_mtime_ns, state.st_size)
            known = self._read.get(path)
            if known is None or known[0] != stamp:
                text = path.read_text(encoding="utf-8")
                entry = Entry(path.stem, text, exercise_from_text(text, path.name), own)
                known = self._read[path] = (stamp, entry)
            return known[1]
        except Problem as problem:
            self._read[path] = (stamp, problem)
            return problem
        except (OSError, UnicodeDecodeError):
            return Problem(f"{path.name} cannot be read as text")

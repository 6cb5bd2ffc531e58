"""Which paragraph of the handbook helps with a problem."""

from __future__ import annotations

from dataclasses import dataclass

from sim.vehicle.problems import EditProblem, FileProblem, Problem


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph of the handbook: its chapter, the anchor of its heading, and its heading."""

    chapter: str
    anchor: str
    heading: str

    @property
    def place(self) -> str:
        """As `busbay handbook` takes it: `vehicle-file#fuses`."""
        return f"{self.chapter}#{self.anchor}"

    @property
    def words(self) -> str:
        """`Handbook: Fuses`."""
        return f"Handbook: {self.heading}"


SENTENCES = Paragraph("sentences", "sentences", "Sentences")
VEHICLES = Paragraph("vehicle-file", "the-vehicle-file", "The vehicle file")
CASES = Paragraph("technician", "tell-what-you-saw", "Tell what you saw")
LOGS = Paragraph("technician", "ask-what-would-have-happened", "Ask what would have happened")
CLASSES = Paragraph("instructor", "for-the-instructor", "For the instructor")
EXERCISES = Paragraph("instructor", "write-an-exercise", "Write an exercise")
RECORDINGS = Paragraph("programs", "recordings", "Recordings")


def paragraph_for(problem: Problem, otherwise: Paragraph | None = None) -> Paragraph | None:
    """The paragraph about the part of a vehicle file, or about sentences; else `otherwise`."""
    from sim.handbook import book, vehicle_file  # heavy, and most runs end without a problem

    if isinstance(problem, EditProblem):
        return SENTENCES
    if (
        not isinstance(problem, FileProblem)
        or not problem.path
        or problem.path[0] not in vehicle_file.top_level()
    ):
        return otherwise
    part = vehicle_file.part_of(str(problem.path[0]))
    heading = book.heading_of(part) if part else book.heading_of("Vehicle")
    return Paragraph("vehicle-file", book.anchor(heading), heading)

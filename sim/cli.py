"""The `busbay` command. Each subcommand is one row of GROUPS.

Help must not wait for what it does not need: the module of a subcommand is imported when it is the one asked
for, and this module imports nothing heavy.
"""

from __future__ import annotations

from sim.garbage import kept_for_good
from sim.interrupt import BY_CTRL_C, STOPPED, ctrl_c_ends_at_once, told

with ctrl_c_ends_at_once():
    import errno
    import os
    import sys
    from collections.abc import Mapping, Sequence
    from dataclasses import dataclass
    from importlib import import_module

    import click
    from click.shell_completion import get_completion_class, shell_complete

    from sim.command_line import EXIT_CODES, Command, command
    from sim.vehicle.problems import EditProblem, FileProblem, Problem, Unsettled, did_you_mean

COMPLETES = "_BUSBAY_COMPLETE"  # the variable by which a shell asks for completions
CAR, RUN, LINK = "sim.instruments.car_commands", "sim.instruments.run_command", "sim.link.log_commands"
DESCRIBE = "sim.instruments.describe_commands"
LESSON = "sim.training.lesson_command"
CLASSES = "sim.training.class_commands"
CASES = "sim.lab.case_commands"
LAB, CHECKS, TRAINING = "sim.lab.commands", "sim.lab.check_commands", "sim.training.commands"
UPKEEP = "sim.training.upkeep_commands"


@dataclass(frozen=True)
class Row:
    """One subcommand: its name, the first sentence of its help, its module and the function there."""

    name: str
    line: str
    module: str
    function: str

    def loaded(self) -> Command:
        """The subcommand itself; imports its module."""
        with ctrl_c_ends_at_once(), kept_for_good():
            found: Command = getattr(import_module(self.module), self.function)
        return found


GROUPS: Mapping[str, tuple[Row, ...]] = {
    "Work on a car": (
        Row("bay", "Open the bay in the browser.", "sim.front_door", "bay"),
        Row("handbook", "Read the handbook, or write it as files.", "sim.handbook.command", "handbook"),
        Row("cars", "List the cars that come with busbay.", CAR, "cars"),
        Row("car", "Check a vehicle file and print what it describes.", CAR, "car"),
        Row("describe", "Begin a vehicle file from a table of modules.", DESCRIBE, "describe"),
        Row("schema", "Print the JSON schema of a vehicle file, for an editor.", DESCRIBE, "schema"),
        Row("words", "Print the sentences that a car understands.", CAR, "words"),
        Row("run", "Work on a car: edits, actions, scans, and why.", RUN, "run"),
        Row("diagram", "Draw a wiring diagram or a connector as SVG.", CAR, "diagram"),
    ),
    "Lab": (
        Row("what-if", "Run every combination of some edits and compare.", LAB, "what_if"),
        Row("case", "Put the rival stories of a case to the test.", CASES, "case"),
        Row("new-case", "Begin a case with a scan report.", CASES, "new_case"),
        Row("causes", "Find every fault that shows all that was seen in a case.", LAB, "causes"),
        Row("next-check", "Find the check that tells the possible causes apart.", LAB, "best_check"),
        Row("plan", "Plan the checks to take to the car: which first, and what next.", LAB, "plan"),
        Row("codes", "Tell which codes of a scan report matter.", "sim.lab.codes_command", "codes"),
        Row("pairs", "Find pairs of faults that hide each other.", LAB, "pairs"),
    ),
    "Training": (
        Row("exercises", "List the exercises that come with busbay.", TRAINING, "exercises"),
        Row("exercise", "Print the work order of an exercise.", TRAINING, "exercise"),
        Row("try", "Work on the car of an exercise and hand in.", TRAINING, "try_exercise"),
        Row("debrief", "Tell what each check of an attempt was worth.", TRAINING, "print_debrief"),
    ),
    "Teach": (
        Row(
            "lesson",
            "Make the lesson plan, worksheet and teacher's sheet of an exercise.",
            LESSON,
            "print_lesson",
        ),
        Row("results", "Print the results of a class.", CLASSES, "results"),
        Row(
            "statements",
            "Tell how far the statements to the school's platform are.",
            CLASSES,
            "statements",
        ),
        Row("passphrase", "Choose the instructor's passphrase.", "sim.front_door", "passphrase"),
        Row("backup", "Copy the records of all classes into one file.", UPKEEP, "backup"),
        Row("restore", "Put a copy in the place of the records.", UPKEEP, "restore"),
        Row(
            "check-exercise", "Play an exercise's solution, and look for rivals.", TRAINING, "check_exercise"
        ),
    ),
    "Other programs": (
        Row("serve", "Let other programs talk to a car in real time.", "sim.link.serve", "serve_car"),
        Row("record", "Write every frame of some actions into a log.", LINK, "record"),
        Row("import", "Begin a vehicle file from a recorded log.", LINK, "import_log"),
        Row("completion", "Print what makes a shell complete busbay's words.", "sim.cli", "completion"),
    ),
    "Check busbay itself": (
        Row("check-search", "Compare the search for causes with runs of its own.", CHECKS, "check_search"),
        Row("check-advice", "Measure what the next best check saves.", CHECKS, "check_advice"),
    ),
}
FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO}  # what a disk says that takes no more
COMMANDS = {row.name: row for rows in GROUPS.values() for row in rows}


class Busbay(click.Group):
    """All subcommands by group, each loaded when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return all names, in the order of the groups."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return a subcommand; None for a name that is none."""
        return COMMANDS[cmd_name].loaded() if cmd_name in COMMANDS else None

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the subcommand that is meant; the nearest name is offered for one that is none."""
        if args[0] not in COMMANDS and not args[0].startswith("-") and not ctx.resilient_parsing:
            raise click.UsageError(f"no command '{args[0]}'{did_you_mean(args[0], COMMANDS)}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the subcommands, a paragraph for each group."""
        for title, rows in GROUPS.items():
            with formatter.section(title):
                formatter.write_dl([(f"{row.name:14}", row.line) for row in rows])

    def shell_complete(
        self, ctx: click.Context, incomplete: str
    ) -> list[click.shell_completion.CompletionItem]:
        """Return the names that begin so, without loading any of the subcommands."""
        item = click.shell_completion.CompletionItem
        rows = COMMANDS.values()
        return [item(row.name, help=row.line) for row in rows if row.name.startswith(incomplete)]

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write where to read on, and the exit codes."""
        formatter.write_paragraph()
        formatter.write_text("'busbay COMMAND --help' tells more, with examples.")
        with formatter.section("Exit codes"):
            formatter.write_dl(EXIT_CODES)


BUSBAY = click.version_option(package_name="busbay", message="busbay %(version)s")(
    Busbay(
        "busbay",
        help="A service bay for vehicle networks.",
        context_settings={"help_option_names": ["-h", "--help"]},
    )
)


@command(
    "completion",
    examples=["completion bash >> ~/.bashrc", "completion fish > ~/.config/fish/completions/busbay.fish"],
)
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion(shell: str) -> None:
    """Print what makes a shell complete busbay's words.

    Commands, options, names of cars, exercises and cases, and the sentences of a car.
    """
    made = get_completion_class(shell)
    assert made is not None  # one of the choices
    print(made(BUSBAY, {}, "busbay", COMPLETES).source())


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one subcommand and return its exit status; bad arguments end in one line and status 2."""
    words = sys.argv[1:] if arguments is None else list(arguments)
    _have_outputs()
    try:
        if asked := os.environ.get(COMPLETES):
            return shell_complete(BUSBAY, {}, "busbay", COMPLETES, asked)
        with BUSBAY.make_context("busbay", words) as ctx:
            status = BUSBAY.invoke(ctx)
        sys.stdout.flush()  # a reader that has closed the pipe is noticed here, not at the very end
    except click.exceptions.Exit as ended:
        return ended.exit_code
    except click.exceptions.NoArgsIsHelpError as asked:
        print(asked.format_message(), file=sys.stderr)
        return asked.exit_code
    except click.ClickException as problem:
        return told(_usage(problem), problem.exit_code)
    except (Problem, Unsettled) as problem:
        return told(f"{problem}{_read_on(problem)}", 1)
    except KeyboardInterrupt:
        return told(BY_CTRL_C, STOPPED)
    except BrokenPipeError:
        _let_go_of_output()
        return 0
    except OSError as error:
        return told(_of_the_system(error), 1)
    return status or 0


def _have_outputs() -> None:
    """Let what is printed go nowhere where a shell has closed an output (`>&-`): Python has None for it."""
    if sys.stdout is None:
        sys.stdout = os.fdopen(os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8")
    if sys.stderr is None:
        sys.stderr = os.fdopen(os.open(os.devnull, os.O_WRONLY), "w", encoding="utf-8")


def _of_the_system(error: OSError) -> str:
    """What the operating system refused: a file, the output on a full disk, or something else."""
    if error.filename:
        return f"{error.filename}: {error.strerror}"
    return f"the output cannot be written: {error.strerror}" if error.errno in FULL else str(error)


def _read_on(problem: Exception) -> str:
    """A line with the command that prints the paragraph about it, where the handbook has one."""
    if not isinstance(problem, EditProblem | FileProblem):
        return ""
    from sim.handbook.links import paragraph_for

    paragraph = paragraph_for(problem)
    return f"\n  read: busbay handbook {paragraph.place}" if paragraph else ""


def _usage(problem: click.ClickException) -> str:
    """What is wrong with a command line, and which help tells how it is written."""
    ctx = problem.ctx if isinstance(problem, click.UsageError) else None
    path = ctx.command_path if ctx else "busbay"
    what = problem.format_message().rstrip(".")
    if isinstance(problem, click.NoSuchOption):
        name = problem.option_name
        what = f"no option '{name}'{did_you_mean(name, problem.possibilities or ())}"
    return f"{what[:1].lower()}{what[1:]}; see '{path} --help'"


def _let_go_of_output() -> None:
    """Let what is still to be printed go nowhere: Python would complain about the closed pipe as it exits."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


if __name__ == "__main__":
    sys.exit(main())

"""What all subcommands share: their help, what they take in the same words, tables, progress, JSON.

A subcommand is one decorated function::

    @command("cars", examples=["cars"], result=tuple[CarRow, ...])
    def cars(as_json: bool) -> None: ...

`result` is the type of what `--json` prints; its fields are the keys. Nothing heavy is imported here: the
command, its help and completion in a shell load this module.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields, is_dataclass
from functools import reduce, wraps
from io import StringIO
from pathlib import Path
from textwrap import indent
from typing import TYPE_CHECKING, Any, TypeVar, get_args, get_type_hints

import click
from click.shell_completion import CompletionItem

from sim import shipped_files
from sim.vehicle.problems import Problem

if TYPE_CHECKING:
    from sim.bench.bench import Bench
    from sim.vehicle.car import Car

EXIT_CODES = (
    ("0", "done"),
    ("1", "a problem, told in one sentence, or a check that did not pass"),
    ("2", "the command was written wrongly"),
    ("130", "stopped by Ctrl-C"),
)
CAR_HELP = "A shipped car's name, the path of a vehicle file, or - for standard input."
UNBOUNDED = 10_000  # columns where the output is no terminal: lines are not broken

Function = TypeVar("Function", bound=Callable[..., Any])
Decorator = Callable[[Function], Function]
Told = Callable[[int, int], None]


class Command(click.Command):
    """A subcommand whose help ends with examples, the keys of its JSON and the exit codes."""

    def __init__(
        self,
        *arguments: Any,
        examples: Sequence[str] = (),
        result: Any = None,
        more: Mapping[str, str] | None = None,
        **settings: Any,
    ) -> None:
        super().__init__(*arguments, **settings)
        self.more = more or {}
        self.examples = tuple(examples)
        self.result = result
        if result is not None:
            self.params.append(click.Option(["--json", "as_json"], is_flag=True, help="Print it as JSON."))

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write what follows the options."""
        for title, text in self.more.items():
            with formatter.section(title):
                formatter.write(indent(text, "  ") + "\n")
        with formatter.section("Examples"):
            for one in self.examples:
                formatter.write(f"  busbay {one}\n")
        if self.result is not None:
            with formatter.section("Keys of the JSON"):
                formatter.write_dl(list(keys_of(self.result)))
        with formatter.section("Exit codes"):
            formatter.write_dl(EXIT_CODES)


def command(
    name: str, *, examples: Sequence[str], result: Any = None, more: Mapping[str, str] | None = None
) -> Callable[[Callable[..., Any]], Command]:
    """Make a function a subcommand: its docstring is the help, its first sentence the line in the list.

    `more`: further paragraphs of the help, by heading.
    """
    return click.command(name, cls=Command, examples=examples, result=result, more=more)


def keys_of(result: Any) -> Iterator[tuple[str, str]]:
    """The keys of a result, those of rows within it after them, each with its type in words."""
    one = _row_of(result)
    if one is None:
        return
    hints = get_type_hints(one)
    for field in fields(one):
        inner = _row_of(hints[field.name])
        words = ", ".join(key for key, _ in keys_of(inner)) if inner else _type_words(hints[field.name])
        yield field.name, f"list of: {words}" if inner and inner is not hints[field.name] else words


def _row_of(hint: Any) -> Any:
    """The dataclass that a type is, or that it is a tuple of."""
    if is_dataclass(hint):
        return hint
    return next((one for one in get_args(hint) if is_dataclass(one)), None)


def _type_words(hint: Any) -> str:
    words = {str: "text", int: "whole number", float: "number", bool: "true or false"}
    inner = [words.get(one, "") for one in get_args(hint)]
    return words.get(hint) or (
        "list" if "tuple" in str(hint) else " or null".join(filter(None, inner)) + " or null"
    )


# -- what is taken in the same words -----------------------------------------------------------------------


def together(*decorators: Decorator[Function]) -> Decorator[Function]:
    """Several arguments and options as one decorator, in the order of the help."""
    return lambda function: reduce(lambda made, one: one(made), reversed(decorators), function)


def as_one(name: str, kind: type, *options: Decorator[Any]) -> Callable[[Callable[..., Any]], Any]:
    """Arguments and options that a function gets as one dataclass, whose fields have their names."""
    taken = [field.name for field in fields(kind)]

    def decorate(function: Callable[..., Any]) -> Any:
        @wraps(function)
        def called(**values: Any) -> Any:
            one = kind(**{key: values.pop(key) for key in taken})
            return function(**{name: one}, **values)

        return together(*options)(called)

    return decorate


def shipped(kind: str) -> Callable[[click.Context, click.Parameter, str], list[CompletionItem | str]]:
    """Complete the names of shipped `vehicles`, `exercises` or `cases`, else the paths of files."""

    def complete(ctx: click.Context, parameter: click.Parameter, begun: str) -> list[CompletionItem | str]:
        """Return the names that begin so."""
        found = [name for name in shipped_files(kind) if name.startswith(begun)]
        return [*found] or [CompletionItem(begun, type="file")]

    return complete


def _car_named(name: str) -> Car:
    from sim.catalogue import find_car

    return find_car(name)


def sentences(
    *sorts: str, car_of: Callable[[str], Car] = _car_named
) -> Callable[[click.Context, click.Parameter, str], list[str]]:
    """Complete the sentences of these sorts, or of all, that a car understands.

    `car_of`: the car that the first word of the command line means.
    """

    def complete(ctx: click.Context, parameter: click.Parameter, begun: str) -> list[str]:
        """Return the sentences that begin so; none where the car is not known yet."""
        from sim.bench.words import sentences_of

        # the words before an option that waits for its value are not sorted yet
        named = [value for key, value in ctx.params.items() if key in ("car", "exercise") and value]
        try:
            car = car_of(next(iter((*named, *ctx.args)), ""))
        except Problem:
            return []
        listed = (one.text for one in sentences_of(car) if not sorts or one.sort in sorts)
        return [text for text in listed if text.startswith(begun)]

    return complete


class PortNumber(click.ParamType[int]):
    """A port of this computer, 1 to 65535."""

    name = "port"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Return the number."""
        text = str(value)
        if text.isascii() and text.isdigit() and 1 <= int(text) <= 65535:
            return int(text)
        self.fail(f"'{text}' is not a port: a whole number from 1 to 65535", param, ctx)


FILE = click.Path(path_type=Path)
car_argument = click.argument("car", help=CAR_HELP, shell_complete=shipped("vehicles"))
seed_option = click.option("--seed", default=0, show_default=True, help="Seed of what is left to chance.")
given_option = click.option(
    "--given",
    metavar="EDIT",
    multiple=True,
    shell_complete=sentences("fault", "theory"),
    help="An edit that the car arrives with; again for more.",
)


def action_options_for(car_of: Callable[[str], Car]) -> Decorator[Any]:
    """What is done at the car that the first word of the command line means."""
    return together(
        click.option(
            "--do",
            metavar="ACTION",
            multiple=True,
            shell_complete=sentences(car_of=car_of),
            help="An action; again for more, in order.",
        ),
        click.option("--script", type=FILE, help="A file with one action per line, done before --do."),
    )


@dataclass(frozen=True, slots=True)
class CarWork:
    """A car, the edits that it arrives with, and what is done to it."""

    car: str
    given: tuple[str, ...]
    do: tuple[str, ...]
    script: Path | None
    seed: int

    @property
    def actions(self) -> list[str]:
        """All actions, in order."""
        return actions_of(self.script, self.do)

    def bench(self) -> Bench:
        """The car in the bay, before the first action."""
        from sim.bench.bench import Bench
        from sim.catalogue import find_car

        return Bench(find_car(self.car), self.given, self.seed)


work_options = as_one(
    "work", CarWork, car_argument, given_option, action_options_for(_car_named), seed_option
)


def actions_of(script: Path | None, do: Sequence[str]) -> list[str]:
    """All actions that were asked for: those of the script, then those of `--do`."""
    if script is None:
        return list(do)
    try:
        lines = script.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise Problem(f"{script} cannot be read as a list of actions: {error}") from None
    return [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")] + list(do)


# -- what is printed ---------------------------------------------------------------------------------------


def print_json(result: Any) -> None:
    """Print a result, a dataclass or a tuple of them, as JSON with its fields as keys."""
    from pydantic_core import to_json

    print(to_json(result, indent=1).decode())


def print_table(head: Sequence[str], rows: Sequence[Sequence[str]], inset: int = 0) -> None:
    """Print a table as wide as the terminal; without a terminal no line is broken. No head where it is ()."""
    print(table_text(head, rows, sys.stdout.isatty(), inset), end="")


def table_text(head: Sequence[str], rows: Sequence[Sequence[str]], fits: bool, inset: int = 0) -> str:
    """A table as lines of text; `fits`: its cells are broken into lines so that it fits the terminal."""
    from rich.console import Console
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, show_header=bool(head), pad_edge=False, padding=(0, 2, 0, 0))
    for place in range(max(map(len, (head, *rows)), default=0)):
        # an empty column without a least width would take a sign of the first one
        table.add_column(
            head[place] if head else "", overflow="fold", min_width=1
        )  # an empty one took a sign of the first
    for row in rows:
        table.add_row(*map(Text, row))
    printed = StringIO()
    console = Console(file=printed, width=None if fits else UNBOUNDED, highlight=False, no_color=True)
    console.print(Padding(table, (0, 0, 0, inset), expand=False))
    return "".join(f"{line.rstrip()}\n" for line in printed.getvalue().splitlines())


@contextmanager
def progress(what: str) -> Iterator[Told]:
    """A bar with what is done and left, on the terminal's error output; nothing where that is no terminal.

    Yields a function of how many pieces are done, and of how many. The bar is there from its first call.
    """
    if not sys.stderr.isatty():
        yield lambda done, of: None
        return
    from rich import progress as bars
    from rich.console import Console

    columns = (
        bars.TextColumn("{task.description}"), bars.BarColumn(), bars.MofNCompleteColumn(),
        bars.TimeElapsedColumn(), bars.TextColumn("left"), bars.TimeRemainingColumn(),
    )  # fmt: skip
    bar = bars.Progress(
        *columns, console=Console(stderr=True), transient=True, redirect_stdout=False, redirect_stderr=False
    )
    task = bar.add_task(what, total=None)

    def tell(done: int, of: int) -> None:
        bar.update(task, completed=done, total=of)
        bar.start()

    try:
        yield tell
    finally:
        bar.stop()


def write_new(path: Path, text: str) -> None:
    """Write a file that does not exist yet; raises `Problem` for one that does.

    What could not be written to its end is taken away again: it would be in the way of the next try.
    """
    with _or_a_problem(path), path.open("x", encoding="utf-8") as file:
        try:
            file.write(text)
            file.flush()
        except OSError:
            path.unlink()
            raise


def write_over(path: Path, text: str) -> None:
    """Write a file, also over an existing one."""
    with _or_a_problem(path), path.open("w", encoding="utf-8") as file:
        file.write(text)


def write_told(path: Path, text: str) -> None:
    """Write a file, also over an existing one, and say so beside the results: on the error output."""
    write_over(path, text)
    print(f"{path} is written.", file=sys.stderr)


@contextmanager
def _or_a_problem(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise Problem(f"{path} cannot be written: {error.strerror}") from None

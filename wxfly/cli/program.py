"""The program itself: its help, its exit codes, the options of the log, and how a mistake is told in one line."""

from __future__ import annotations

import io
import logging
import re
import shutil
import sys
import traceback
from collections.abc import Callable
from datetime import UTC, datetime
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from wxfly import __version__
from wxfly.errors import NotAskedError, WxflyError
from wxfly.pilot.options import Heading
from wxfly.report.text import console
from wxfly.report.text.console import as_json, outgoing

if TYPE_CHECKING:
    from wxfly.answer.windows import Room
    from wxfly.report.facts.values import Facts

F = TypeVar("F", bound=Callable[..., Any])
_LOGGER = logging.getLogger("wxfly")
_PRECISE = re.compile(r"-?\d{1,3}\.\d{3,}")


class _ErrorStream(logging.Handler):
    """Writes to the error stream that is in force when a message is written."""

    def __init__(self, *, as_json: bool) -> None:
        super().__init__(logging.INFO)
        self.as_json = as_json

    def emit(self, record: logging.LogRecord) -> None:
        print(_as_json(record) if self.as_json else _as_text(record), file=sys.stderr)


def start_logging(*, as_json: bool = False) -> None:
    """Begin to log; a second call changes the form.

    Parameters
    ----------
    as_json : bool, optional
        One JSON object on each line, with ``time``, ``level``, ``from`` and ``message``, and the facts beside them.
    """
    stop_logging()
    _LOGGER.addHandler(_ErrorStream(as_json=as_json))
    _LOGGER.setLevel(logging.INFO)
    _LOGGER.propagate = False  # what embeds wxfly has handlers of its own, which do not round places


def stop_logging() -> None:
    """Be quiet again."""
    for handler in [h for h in _LOGGER.handlers if isinstance(h, _ErrorStream)]:
        _LOGGER.removeHandler(handler)
    _LOGGER.setLevel(logging.NOTSET)
    _LOGGER.propagate = True


def is_machine_readable() -> bool:
    """Return whether the error stream is to hold nothing but JSON."""
    return any(isinstance(h, _ErrorStream) and h.as_json for h in _LOGGER.handlers)


def tell(message: str, *, level: int = logging.INFO) -> None:
    """Write one message of the program itself."""
    _LOGGER.log(level, "%s", message)


def rounded(text: str) -> str:
    """Round every number that could be a precise coordinate to 0.01."""
    return _PRECISE.sub(lambda match: f"{float(match[0]):.2f}", text)


def _as_text(record: logging.LogRecord) -> str:
    return f"{_moment(record):%H:%M:%S}Z  {outgoing(rounded(' '.join(record.getMessage().split())))}"


def _as_json(record: logging.LogRecord) -> str:
    document: dict[str, Any] = {
        "time": f"{_moment(record):%Y-%m-%dT%H:%M:%S.%f}"[:-3] + "Z",
        "level": record.levelname.lower(),
        "from": record.name,
        "message": rounded(" ".join(record.getMessage().split())),
    }
    for name, value in getattr(record, "facts", {}).items():
        document[name] = rounded(value) if isinstance(value, str) else value
    return as_json(document)


def _moment(record: logging.LogRecord) -> datetime:
    return datetime.fromtimestamp(record.created, UTC)


CAUTION = (
    "wxfly gives advice, not permission. Local rules, the maker's manual and your own judgement on the spot prevail."
)


class ExitCode(IntEnum):
    """One code; a row of the table in the reference."""

    def __new__(cls, value: int, meaning: str, is_asked_for: bool = False) -> ExitCode:
        """Make a code with its meaning and whether only ``--exit-code`` gives it."""
        code = int.__new__(cls, value)
        code._value_ = value
        code.meaning = meaning
        code.is_asked_for = is_asked_for
        return code

    meaning: str
    is_asked_for: bool

    ANSWERED = 0, "answered, whatever the answer is; with `--exit-code`: there is room to fly and all is known"
    MISTAKE = 1, "something can be put right, told in one line"
    NOT_UNDERSTOOD = 2, "the command was not understood"
    UNFINISHED = 3, "some sites of a fleet have no answer; the same command asks for those alone"
    NO_ROOM = 10, "no room to fly, or probably none", True
    NOT_KNOWN = 11, "something that the decision needs is not known, whether or not the rest leaves room", True
    NOT_ASKED = 12, "no service answered, and nothing that is stored answers in its place", True
    CHANGED = 20, "`wxfly watch --once` told of a change"
    OWN_FAULT = 70, "a fault of wxfly itself"  # EX_SOFTWARE of sysexits.h


def code_of(word: Room, *, as_far_as_known: bool) -> ExitCode:
    """Return the code of a verdict.

    Parameters
    ----------
    word : Room
        Whether there is room to fly.
    as_far_as_known : bool
        Whether something that the decision needs is not known.
    """
    if word.is_enough:
        return ExitCode.NOT_KNOWN if as_far_as_known else ExitCode.ANSWERED
    return ExitCode.NO_ROOM if word.is_known else ExitCode.NOT_KNOWN


_EXIT_CODE = "wxfly.exit_code"
_NEGATIVE_NUMBER = re.compile(r"-\.?[0-9]")


class HeadedOption(click.Option):
    """An option that stands below a heading of the help.

    Parameters
    ----------
    heading : str
        The heading.
    is_front : bool
        Whether ``--help`` shows it; ``--help-all`` shows every option.
    """

    def __init__(self, *names: Any, heading: str, is_front: bool, **rest: Any) -> None:
        super().__init__(*names, **rest)
        self.heading = heading
        self.is_front = is_front


_SHOWS_ALL = "wxfly.cli.shows_all"


def full_help(ctx: click.Context) -> str:
    """Return the help of a command with every option."""
    ctx.meta[_SHOWS_ALL] = True
    try:
        return ctx.command.get_help(ctx)
    finally:
        del ctx.meta[_SHOWS_ALL]


def _show_full_help(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    if value and not ctx.resilient_parsing:
        click.echo(full_help(ctx), color=ctx.color)
        ctx.exit()


def _offer_limit(flag: str, *, has_reading: bool) -> None:
    """Raise an error with the way to limit an element where the flag is one's name, and with that of a reading."""
    from wxfly.pilot.limits import SETTABLE

    name = flag.lstrip("-").replace("-", "_")
    if name in SETTABLE:
        reading = "what you measure is written --mean VALUE and --gust VALUE; " if has_reading else ""
        raise click.UsageError(f"no option {flag}; {reading}a limit for today is written: --limit {name}=VALUE")


class Command(click.Command):
    """A command whose places may begin with a minus sign: ``best -33.9,18.4`` is a place, not an option.

    Where its options stand below headings, its help shows the foremost, and ``--help-all`` every one.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if any(isinstance(one, HeadedOption) and not one.is_front for one in self.params):
            text = "Show every option and exit."
            rest: dict[str, Any] = {"is_flag": True, "is_eager": True, "expose_value": False, "help": text}
            self.params.append(click.Option(["--help-all"], callback=_show_full_help, **rest))

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options, those with a heading below it."""
        headed: dict[str, list[tuple[str, str]]] = {heading.value: [] for heading in Heading}
        others: list[tuple[str, str]] = []
        for option in self.get_params(ctx):
            record = option.get_help_record(ctx)
            if record is None or not isinstance(option, click.Option):
                continue
            if not isinstance(option, HeadedOption):
                others.append(record)
            elif option.is_front or ctx.meta.get(_SHOWS_ALL):
                headed[option.heading].append(record)
        for heading, records in [*headed.items(), ("Help" if any(headed.values()) else "Options", others)]:
            if records:
                with formatter.section(heading):
                    formatter.write_dl(records)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the arguments; where one is a negative number, what is no option goes behind ``--``."""
        options, others = self._parted(ctx, args)
        if any(_NEGATIVE_NUMBER.match(word) for word in others):
            args = [*options, "--", *others]
        try:
            return super().parse_args(ctx, args)
        except click.NoSuchOption as fault:
            flags = {flag for option in self.get_params(ctx) for flag in option.opts}
            if "--limit" in flags:
                _offer_limit(fault.option_name, has_reading="--mean" in flags)
            raise

    def _parted(self, ctx: click.Context, args: list[str]) -> tuple[list[str], list[str]]:
        """Return the options with their values, and the other arguments in their order."""
        takes_value = {
            name
            for option in self.get_params(ctx)
            if isinstance(option, click.Option) and not (option.is_flag or option.count)
            for name in option.opts
        }
        options: list[str] = []
        others: list[str] = []
        words = iter(args)
        for word in words:
            if word == "--":
                others += words
            elif not word.startswith("-") or word == "-" or _NEGATIVE_NUMBER.match(word):
                others.append(word)
            else:
                options.append(word)
                if word in takes_value:
                    options += [value for value in (next(words, None),) if value is not None]
        return options, others


class Program(click.Group):
    """Tells a user's mistake in one line and ends with code 1; every command takes the options of the log."""

    group_class = type
    command_class = Command

    def main(self, *args: Any, **kwargs: Any) -> Any:
        """Run the program; a letter that the terminal or the file cannot take is written in others."""
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors=console.READABLE)
        with console.showing(getattr(sys.stdout, "encoding", None) or "utf-8"):
            return super().main(*args, **kwargs)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; end with one line and code 1 on a user's mistake."""
        try:
            return super().invoke(ctx)
        except click.UsageError as fault:
            words = _on_error_stream(fault.format_message())
            if words == fault.format_message():
                raise
            raise click.UsageError(words, fault.ctx) from None
        except WxflyError as fault:
            line = _on_error_stream(rounded(" ".join(str(fault).split())))
            code = ExitCode.MISTAKE
            if isinstance(fault, NotAskedError) and ctx.meta.get(_EXIT_CODE):
                code = ExitCode.NOT_ASKED
            if is_machine_readable():
                tell(line, level=logging.ERROR)
            else:
                click.ClickException(line).show()
            ctx.exit(code)
        except OSError as fault:
            if isinstance(fault, BrokenPipeError):
                raise  # a reader that has seen enough: click ends quietly
            raise click.ClickException(f"the answer could not be written ({fault.strerror})") from None
        except (click.exceptions.Exit, click.ClickException, click.Abort):
            raise
        except Exception as fault:
            return _tell_own_fault(ctx, fault)

    def add_command(self, cmd: click.Command, name: str | None = None) -> None:
        """Add a command, with the options of the log."""
        cmd.params.extend(_log_options(hidden=True))  # shown once, in the help of the program
        super().add_command(cmd, name)


def _tell_own_fault(ctx: click.Context, fault: Exception) -> NoReturn:
    """Report an error that nobody foresaw as a fault of the program, never one of a file or a service."""
    words = " ".join(f"{type(fault).__name__}: {fault}".split())[:200]
    line = f"this is a fault of wxfly itself, not of your files or of a service ({rounded(words)})"
    way = "please report it to its maintainers, with the command and what it writes with --verbose"
    if is_machine_readable():
        tell(f"{line}; {way}", level=logging.ERROR)
    else:
        click.echo(_on_error_stream(f"Error: {line}; {way}"), err=True)
    if _LOGGER.isEnabledFor(logging.INFO):
        for frame in traceback.extract_tb(fault.__traceback__)[-5:]:
            tell(f"in {Path(frame.filename).name}, line {frame.lineno}, {frame.name}", level=logging.ERROR)
    ctx.exit(ExitCode.OWN_FAULT)


def _on_error_stream(text: str) -> str:
    # click writes UTF-8 to a stream of ASCII: what cannot be shown there has to be put otherwise before.
    return console.readable(console.outgoing(text), sys.stderr.encoding)


def _log_options(*, hidden: bool) -> list[click.Parameter]:
    def begin(ctx: click.Context, param: click.Parameter, value: Any) -> None:
        if value and not (param.name == "verbose" and is_machine_readable()):
            start_logging(as_json=value == "json")
            ctx.find_root().call_on_close(stop_logging)

    rest: dict[str, Any] = {"expose_value": False, "is_eager": True, "hidden": hidden, "callback": begin}
    verbose = "Tell on the error stream what was asked of whom and how long it took. Goes after a command as well."
    form = "The same as text, or as one JSON object on each line of the error stream."
    quiet = "Print no text: only errors, and what --json, --csv or - asks for. Goes after a command as well."
    silent = {**rest, "callback": _be_quiet}
    return [
        click.Option(["-v", "--verbose"], is_flag=True, help=verbose, **rest),
        click.Option(["--log"], type=click.Choice(["text", "json"]), help=form, **rest),
        click.Option(["-q", "--quiet"], is_flag=True, help=quiet, **silent),
    ]


_quiet = False
"""Whether no text is wanted; the threads that ask the services have no context of the command."""


def _be_quiet(ctx: click.Context, param: click.Parameter, value: Any) -> None:
    if value:
        _set_quiet(True)
        ctx.find_root().call_on_close(lambda: _set_quiet(False))


def _set_quiet(value: bool) -> None:
    global _quiet
    _quiet = value


def _ask_for_code(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    if value:
        ctx.meta[_EXIT_CODE] = True


def exiting(command: F) -> F:
    """Add the option that ends the command with a code by its verdict."""
    text = "End with a code by the answer, for scripts: 0 room, 10 no room, 11 not known, 12 nobody could be asked."
    rest: dict[str, Any] = {"is_flag": True, "expose_value": False, "callback": _ask_for_code, "help": text}
    return click.option("--exit-code", cls=HeadedOption, heading=Heading.OUTPUT.value, is_front=False, **rest)(command)


def end_with(word: Room, *, as_far_as_known: bool) -> None:
    """End the command with the code of its verdict, where that is asked for."""
    ctx = click.get_current_context()
    if ctx.meta.get(_EXIT_CODE):
        ctx.exit(code_of(word, as_far_as_known=as_far_as_known))


@click.group(
    cls=Program,
    params=_log_options(hidden=False),
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=f"Example: wxfly best --aircraft camera-quad-250g --height 80m. {CAUTION}",
)
@click.version_option(__version__, prog_name="wxfly")
def main() -> None:
    """From an open weather forecast to whether, when, where and how high to fly a small aircraft.

    SITE is the name of a saved site, a pair LATITUDE,LONGITUDE or the name of a place (place:NAME where a site is
    nearly called so). Without one, your home answers (see: wxfly setup), else the first saved site, or the invented
    demonstration when none is saved.
    """


def width() -> int:
    """Return the columns an answer in text may take."""
    return min(shutil.get_terminal_size((80, 24)).columns, 100)


def full_width() -> int:
    """Return the columns a table may take: all of the terminal."""
    return shutil.get_terminal_size((80, 24)).columns


def say(text: str) -> None:
    """Print text that people read; nothing where the pilot wants it quiet."""
    if _quiet:
        return
    click.echo(console.readable(console.outgoing(text)))


def ask(text: str, default: str) -> str:
    """Ask for one line; an empty one is the default.

    Raises
    ------
    click.Abort
        When the input ends, or the pilot breaks off.
    """
    return str(click.prompt(console.readable(console.outgoing(text)), default=default))


def print_json(facts: Facts) -> None:
    """Print facts as one line of JSON."""
    from wxfly.report.formats import to_json

    print_data(f"{to_json(facts)}\n".encode("utf-8", "backslashreplace"))


def show(facts: Facts, words: Callable[[], str], *, as_json: bool) -> None:
    """Print facts as JSON, or else their words."""
    if as_json:
        print_json(facts)
    else:
        say(words())


def print_data(content: bytes) -> None:
    """Print what programs read, as its own bytes, whatever the encoding of the console."""
    click.echo(content, nl=False)


def tell_fault(message: str) -> None:
    """Tell a warning, or one of several faults, on the error stream, whatever is asked to be quiet."""
    line = _on_error_stream(" ".join(message.split()))
    if is_machine_readable():
        tell(line, level=logging.ERROR)
    else:
        click.echo(line, err=True)


def tell_progress(message: str) -> None:
    """Tell on the error stream what takes its time."""
    if is_machine_readable():
        tell(message)
    elif not _quiet:
        click.echo(_on_error_stream(rounded(" ".join(message.split()))), err=True)

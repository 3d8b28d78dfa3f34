"""How a command ends: its exit status, and what is said when something stops it.

What stops a command without being foreseen is told in one message that holds nothing of the
exports: its kind, never its words, because the words of an error may quote a cell. The option
`--trace` adds the places in the code that it passed through, which hold no value either.
"""

from __future__ import annotations

import errno
import logging
import os
import signal
import sys
import threading
import warnings
from collections.abc import Iterator
from pathlib import Path
from types import FrameType, TracebackType
from typing import Any, NoReturn

import typer
from typer.core import TyperGroup

from audit.printable import printable

DONE, EXCEPTIONS_FOUND, MISUSED, CANNOT_BE_AUDITED = 0, 1, 2, 3
UNFINISHED, DIFFERS, PROGRAM_ERROR = 4, 5, 6
INTERRUPTED = 130
UNTOUCHED = "The output folder is as it was."
# What the loader of libraries says where the memory that a process may use is exhausted.
NO_MEMORY = ("cannot allocate memory", "failed to map segment")


class Ended(BaseException):
    """The system asked the program to end; the status is the one that says which signal."""

    def __init__(self, status: int) -> None:
        self.status = status


class Guarded(TyperGroup):
    """Commands whose unforeseen errors end in one message without anything of the exports."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command that was asked for."""
        try:
            return super().invoke(ctx)
        except Exception as error:
            # What carries an exit status, or aborts, is how commands and options end by design.
            if hasattr(error, "exit_code") or isinstance(error, typer.Abort):
                raise
            status, message = told(error)
            _say(message)
            if ctx.params.get("trace"):
                _say("\n".join(places(error)))
            elif status == PROGRAM_ERROR:
                _say("`enteral-audit --trace ...` names the places in the code, and no values.")
            raise typer.Exit(status) from None
        except KeyboardInterrupt:
            _say("Interrupted. The output folder is as it was, or complete.")
            raise typer.Exit(INTERRUPTED) from None
        except Ended as ended:
            _say("Ended by the system. The output folder is as it was, or complete.")
            raise typer.Exit(ended.status) from None


def told(error: BaseException) -> tuple[int, str]:
    """Exit status and message for an error that nobody foresaw; nothing of its words is in it."""
    if isinstance(error, BrokenPipeError):
        return UNFINISHED, "Whoever was reading what is printed stopped reading."
    if _is_of_memory(error):
        return UNFINISHED, f"There is not enough memory for these exports. {UNTOUCHED}"
    if isinstance(error, OSError) and error.errno is not None:
        return UNFINISHED, f"The system refused: {refusal(error)}. {UNTOUCHED}"
    return (
        PROGRAM_ERROR,
        f"Stopped by an error of the program itself ({type(error).__name__}). {UNTOUCHED}",
    )


def refusal(error: OSError) -> str:
    """Why the system refused, in its own words: a library may put others around them."""
    return os.strerror(error.errno) if error.errno is not None else type(error).__name__


def _is_of_memory(error: BaseException) -> bool:
    words = str(error).casefold() if isinstance(error, ImportError) else ""
    is_refused = isinstance(error, OSError) and error.errno == errno.ENOMEM
    return is_refused or isinstance(error, MemoryError) or any(each in words for each in NO_MEMORY)


def places(error: BaseException) -> Iterator[str]:
    """The kind of an error and of those behind it, and file, line and function of each step."""
    behind: BaseException | None = error
    while behind is not None:
        yield type(behind).__name__
        step: TracebackType | None = behind.__traceback__
        while step is not None:
            code = step.tb_frame.f_code
            yield f"  {_file(code.co_filename)}:{step.tb_lineno} {code.co_name}"
            step = step.tb_next
        behind = behind.__cause__ or behind.__context__


def _file(name: str) -> str:
    """A file of code from where it is imported, so that no folder of the machine is told."""
    roots = [Path(root) for root in sys.path if root and Path(name).is_relative_to(root)]
    longest = max(roots, key=lambda root: len(root.parts), default=None)
    return Path(name).name if longest is None else Path(name).relative_to(longest).as_posix()


def stop(status: int, message: str) -> NoReturn:
    """End the command with a message and a status."""
    _say(message)
    raise typer.Exit(status)


def _say(message: str) -> None:
    lines = [printable(line) for line in message.split("\n")]
    typer.echo("enteral-audit: " + "\n".join(lines), err=True)


def prepare_process() -> None:
    """Have nothing leave the process but what the commands say themselves.

    Warnings and log lines of libraries may quote cells, and so may the words of an error; none
    is printed. What the console cannot show is replaced. A signal to end is followed in order,
    so that what was begun is removed.
    """
    warnings.simplefilter("ignore")
    logging.disable(logging.CRITICAL)
    sys.excepthook = lambda kind, error, trace: _say(told(error)[1])
    threading.excepthook = lambda args: _say(f"Stopped within a thread ({args.exc_type.__name__}).")
    sys.unraisablehook = lambda args: None
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), _end)


def _end(number: int, frame: FrameType | None) -> NoReturn:
    raise Ended(128 + number)

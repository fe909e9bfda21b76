"""What every command shares: where its job is, how it ends, and that nobody sees a traceback."""

from __future__ import annotations

import functools
import json
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, ParamSpec

import typer

from pipeline.errors import InvalidInput, Problem, SafelightError, printable

P = ParamSpec("P")

JobOption = Annotated[
    Path | None,
    typer.Option("--job", metavar="DIR", help="The job's folder; default: this one or above it."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON instead of words.")]

INTERRUPTED = 130
"""What a shell expects of a command that Ctrl-C ended."""


class Debug:
    """Whether ``--debug`` was given; the one thing that the commands' frame remembers."""

    on = False


def ends_in_words(command: Callable[P, int | None]) -> Callable[P, None]:
    """Make a command end with the exit code that it returns, or that its error owes.

    Errors that Safelight words are printed as they are. Anything else is a bug, and is called one.
    """

    @functools.wraps(command)
    def guarded(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            code = command(*args, **kwargs) or 0
            sys.stdout.flush()
        except SafelightError as error:
            code = error.exit_code
            complain(str(error))
        except KeyboardInterrupt:
            code = INTERRUPTED
            complain("Stopped. What was finished is recorded; the same command goes on from there.")
        except BrokenPipeError:
            # whoever read our output has left, which is no failure of ours
            sys.stderr.close()
            code = 0
        except (typer.Exit, typer.Abort):
            raise
        except OSError as error:
            code = 1
            complain(f"The system refused: {error}. Nothing recorded is lost.")
        except Exception as error:
            code = 1
            complain(
                f"This is a bug in Safelight ({type(error).__name__}: {error}). Nothing recorded "
                "is lost. `safelight --debug ...` shows where it happened."
            )
        raise typer.Exit(code)

    return guarded


def complain(sentence: str) -> None:
    """A sentence for the user on standard error; with ``--debug``, under where it came from."""
    if Debug.on:
        traceback.print_exc()
    print("\n".join(map(printable, sentence.splitlines())), file=sys.stderr)


def print_json(value: Any) -> None:
    """One JSON document on standard output."""
    print(json.dumps(value, ensure_ascii=False, indent=1))


def job_folder(given: Path | None) -> Path:
    """The job that a command is about: ``--job``, or the working folder upwards.

    What was given is taken at its word: a slip in it never ends at the job around it.
    """
    from pipeline.job import JOB_FILE, find_job
    from pipeline.wording import shown

    if given is None:
        return find_job(Path.cwd())
    try:
        if (given / JOB_FILE).is_file():
            return given.resolve()
        found = f"no {JOB_FILE} in it" if given.is_dir() else "there is no such folder"
    except OSError as error:
        found = f"it cannot be read: {error.strerror}"
    raise InvalidInput([Problem(f"--job {shown(str(given))}", 0, "", found, "a job's folder")])

"""The command line: a thin skin. Every worker imports it with the program's main module, so it loads nothing itself."""

from __future__ import annotations

import os
import re
import sys
from typing import NoReturn

from pipeline.ctrl_c import SAID, STOPPED, heeded_in_imports
from pipeline.stdout import Stdout, fill_closed, leave
from shared.errors import ReboundryError, SettingsError, disk_words

#: In the order in which --help lists them. `name` is the function `name` in pipeline/commands/name.py.
COMMANDS = ("measure", "calibrate", "review", "render", "pool", "compare", "plan", "demo")

EXIT_SOME_FAILED = 1
EXIT_USAGE = 2


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and end the process: 0 all done, 1 some could not be measured, 2 bad usage or settings."""
    fill_closed()
    output = Stdout()
    try:
        try:
            with heeded_in_imports():
                from pipeline.command_group import app

                words = [_at_home(word) for word in (sys.argv[1:] if arguments is None else arguments)]
                _check_places(words)
                app(args=words, prog_name="reboundry")
        finally:
            sys.stdout.flush()  # what can't be written is found out now, not when Python has ended
    except SettingsError as error:
        print(f"reboundry: {error}", file=sys.stderr)
        sys.exit(EXIT_USAGE)
    except ReboundryError as error:
        print(f"reboundry: {error}", file=sys.stderr)
        sys.exit(EXIT_SOME_FAILED)
    except SystemExit as ended:
        if isinstance(ended.__context__, BrokenPipeError):  # so Typer and Rich end at any of them
            _end_broken(output, 0)
        if isinstance(getattr(ended.__context__, "__cause__", None), KeyboardInterrupt):  # typer ends without a word
            print(SAID, file=sys.stderr)
        raise
    except KeyboardInterrupt:
        print(SAID, file=sys.stderr)
        sys.exit(STOPPED)
    except BrokenPipeError as error:
        _end_broken(output, error.__context__.code if isinstance(error.__context__, SystemExit) else 0)
    except OSError as error:
        if error.filename is None:
            leave(sys.stdout)
        print(f"reboundry: {error.filename or 'the output'}: {disk_words(error)}", file=sys.stderr)
        sys.exit(EXIT_SOME_FAILED)
    finally:
        output.close()


def _end_broken(output: Stdout, status: int | str | None) -> NoReturn:
    """End at a broken pipe: quietly with ``status`` where nobody reads on (`| head`), else it was one within."""
    if output.unread():
        leave(sys.stdout)
        sys.exit(status)
    try:
        print("reboundry: a pipe to one of its own processes, or a connection, broke off; what was finished is kept, "
              "run it again.", file=sys.stderr, flush=True)
    except OSError:  # it was the error output itself
        leave(sys.stderr)
    sys.exit(EXIT_SOME_FAILED)


def _at_home(word: str) -> str:
    """The argument with ~ as the home folder, also where no shell does that: after an option's = and on Windows."""
    found = re.fullmatch(r"(--[a-z-]+=)?(~(?:[/\\].*)?)", word, re.DOTALL)
    return (found[1] or "") + os.path.expanduser(found[2]) if found else word


def _check_places(words: list[str]) -> None:
    """Raise SettingsError for an address where only this machine's files will do: it would become a folder `s3:`."""
    command = next((word for word in words if not word.startswith("-")), "")
    if command not in COMMANDS or command == "measure":
        return
    for word in words:
        place = word.partition("=")[2] if word.startswith("--") else word
        if "://" in place and _is_address(place):
            raise SettingsError(f"{place}: only `reboundry measure` takes addresses; give a folder or file on this "
                                "machine.")


def _is_address(place: str) -> bool:
    from pipeline.storage import is_address

    return is_address(place)

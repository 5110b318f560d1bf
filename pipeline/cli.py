"""The command line: a thin skin. Every worker imports it with the program's main module, so it loads nothing itself."""

from __future__ import annotations

import sys

from pipeline.ctrl_c import SAID, STOPPED, heeded_in_imports
from shared.errors import ReboundryError, SettingsError

#: In the order in which --help lists them. `name` is the function `name` in pipeline/commands/name.py.
COMMANDS = ("measure", "calibrate", "review", "render", "pool", "compare", "plan", "demo")

EXIT_SOME_FAILED = 1
EXIT_USAGE = 2


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and end the process: 0 all done, 1 some could not be measured, 2 bad usage or settings."""
    try:
        with heeded_in_imports():
            from pipeline.command_group import app

            app(args=arguments, prog_name="reboundry")
    except SettingsError as error:
        print(f"reboundry: {error}", file=sys.stderr)
        sys.exit(EXIT_USAGE)
    except ReboundryError as error:
        print(f"reboundry: {error}", file=sys.stderr)
        sys.exit(EXIT_SOME_FAILED)
    except SystemExit as ended:
        if isinstance(getattr(ended.__context__, "__cause__", None), KeyboardInterrupt):  # typer ends without a word
            print(SAID, file=sys.stderr)
        raise
    except KeyboardInterrupt:
        print(SAID, file=sys.stderr)
        sys.exit(STOPPED)
    except BrokenPipeError:  # `reboundry ... | head`
        sys.stderr.close()
        sys.exit(0)

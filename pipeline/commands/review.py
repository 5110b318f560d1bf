"""`reboundry review`: look through the shots and decide on each."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer


def review(
    session: Annotated[Path, typer.Argument(help="A session that was measured.", show_default=False)],
    out: Annotated[Path | None, typer.Option(help="Where its results are, if not in `measured/`.")] = None,
    port: Annotated[int, typer.Option(help="Port on this machine; 0 = a free one.", min=0, max=65535)] = 0,
    browser: Annotated[bool, typer.Option(help="Open the page in the browser.")] = True,
    blind: Annotated[bool, typer.Option(help="Hide condition and outcome until you decide.")] = True,
) -> None:
    """Look through the shots on a local page: accept, reject, skip; correct the calibration.

    Only this machine can open the page, by the address that is printed. Decisions are saved at once.

    Example: `reboundry review my-session`
    """
    import webbrowser

    from pipeline.measured_session import read_measured
    from pipeline.review.server import ReviewServer

    server = ReviewServer(read_measured(session, out), port=port, blind=blind)

    def ready() -> None:
        typer.echo(f"Review page: {server.address}\nStop with Ctrl-C.")
        if behind:
            typer.echo(behind, err=True)
        if browser:
            webbrowser.open(server.address)

    _stop_when_the_terminal_closes()
    behind = server.catch_up_report()
    try:
        server.serve(ready=ready)
    except KeyboardInterrupt:  # the usual way to stop it; all decisions are on the disk
        with suppress(OSError):  # a terminal that was closed takes no words
            typer.echo("Stopped.")
    if server.remeasuring.stopped:
        with suppress(OSError):
            typer.echo("Measuring again was stopped before it was done: run `reboundry measure` to the end.")
    if server.desk.decided or server.desk.caught_up:
        behind = server.refresh_report()
        with suppress(OSError):
            up_to_date = "" if behind else f"; report brought up to date: {server.report}"
            typer.echo(f"Decisions: {server.out / 'reviews.csv'}{up_to_date}\n"
                       "Pool again (`reboundry pool`) for comparisons to use this.")
            if behind:
                typer.echo(behind, err=True)
        if behind:
            raise typer.Exit(1)


def _stop_when_the_terminal_closes() -> None:
    """As after SIGTERM, once; not where the user asked to go on without it (nohup)."""
    import signal

    if not hasattr(signal, "SIGHUP") or signal.getsignal(signal.SIGHUP) == signal.SIG_IGN:
        return

    def stop(*_: object) -> None:
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
        signal.raise_signal(signal.SIGTERM)

    signal.signal(signal.SIGHUP, stop)

"""The command that serves the page to design on."""

from __future__ import annotations

import argparse

from evenflare.cli.arguments import AddCommand, path
from evenflare.cli.telling import DONE, tell

HIGHEST_PORT = 65535


def add(command: AddCommand) -> None:
    """Its options."""
    page = command(
        "open",
        "Serve a page to design on: shape, target and a search, live in the browser of this machine",
        "example: evenflare open targets/shelf.toml\n"
        "example: evenflare open runs/desk/best.toml --target targets/desk.toml\n"
        "example: evenflare open runs/desk\n\n"
        "OPENED is a target (to draw what is wanted, and begin), a design, or a search's folder, running or done.\n"
        "Prints an address and opens it; Ctrl-C ends it, and stops a search that was started on the page, which keeps\n"
        "what it has. Only this machine can reach the page, and only who knows the address. It writes nothing outside\n"
        "the folder of what is opened, and saves nothing unasked.",
    )
    page.add_argument("opened", type=path, metavar="OPENED", help="target or design file (TOML), or a run's folder")
    page.add_argument("--target", type=path, metavar="TARGET.toml", help="target that the design is held against")
    page.add_argument(
        "--port", type=_port, default=0, metavar="N", help="where to listen on this machine; left out: any free one"
    )
    page.add_argument("--no-browser", action="store_true", help="print the address only")


def _port(text: str) -> int:
    number = int(text)
    if not 0 <= number <= HIGHEST_PORT:
        raise ValueError(text)
    return number


def _open(options: argparse.Namespace) -> int:
    from threadpoolctl import threadpool_limits

    from evenflare.workbench.opened import opened
    from evenflare.workbench.server import serve

    def said(address: str) -> None:
        print(address, flush=True)
        tell("Ctrl-C ends it")

    # For what is worked out beside the solving too: two threads of algebra wait for one another beside the browser.
    with threadpool_limits(1):
        serve(
            lambda page: opened(options.opened, page.told, target=options.target),
            port=options.port,
            browser=not options.no_browser,
            said=said,
        )
    return DONE


COMMANDS = {"open": _open}
"""What each does; the exit code."""

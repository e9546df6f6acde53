"""The page: a server on this machine that answers every question in a browser."""

from __future__ import annotations

import contextlib
import gc
from pathlib import Path

import click

from wxfly.cli.program import main, tell_fault
from wxfly.errors import WxflyError, missing_extra


@main.command(epilog="Example: wxfly serve --port 8017")
@click.option("--host", default="127.0.0.1", show_default=True, metavar="ADDRESS", help="Address to listen on.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=8017,
    show_default=True,
    help="Port to listen on; 0 takes a free one.",
)
@click.option(
    "--forecast",
    "forecast_path",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    metavar="PATH",
    help="Forecast file that 'where' on the page ranks.",
)
def serve(host: str, port: int, forecast_path: Path | None) -> None:
    """Answer every question on a page in the browser, on this machine alone unless --host says otherwise."""
    try:
        import uvicorn

        from wxfly.web.app import address_of, make_app
    except ModuleNotFoundError as missing:
        if (missing.name or "").partition(".")[0] not in ("uvicorn", "starlette", "jinja2", "markupsafe"):
            raise
        raise missing_extra("the page needs", [str(missing.name)], "web") from None
    import socket

    from wxfly.web.security import Door

    door = Door.of(host)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # With its protocol named, asyncio sends each part of a reply at once (TCP_NODELAY), not after 40 ms.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen()  # whoever opens the address at once waits, and is not refused
    except OSError as fault:
        listener.close()
        raise WxflyError(f"{host}:{port} cannot be listened on ({fault.strerror}); give another --port") from None
    port = listener.getsockname()[1]
    click.echo(f"wxfly answers at {address_of(host, port, door)} (end it with Ctrl-C)")
    if door.token:
        tell_fault(  # said whatever is asked to be quiet
            "Warning: others in this network can reach the page. The connection is not encrypted: give the address "
            "with its token to nobody whom you do not trust with your places."
        )
    _share_memory()
    gc.set_threshold(2_000, 10, 10)  # of a process that lives long: what can go, goes soon
    config = uvicorn.Config(
        make_app(door, forecast_path=forecast_path), log_config=None, access_log=False, server_header=False,
        limit_concurrency=256, timeout_keep_alive=5, timeout_graceful_shutdown=2, ws="none",
    )  # fmt: skip
    with contextlib.suppress(KeyboardInterrupt):  # Ctrl-C is how it is ended
        uvicorn.Server(config).run(sockets=[listener])


def _share_memory() -> None:
    """Have all threads take memory from two areas.

    By default every thread has an area of its own, which keeps what its largest answer took.
    """
    from wxfly.assessment.grid import set_memory_options

    set_memory_options((-8, 2))  # M_ARENA_MAX

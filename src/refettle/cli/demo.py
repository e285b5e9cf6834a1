"""refettle demo: the bench book on a throw-away folder, filled with an invented bench."""

from __future__ import annotations

import argparse
import importlib
import os
import shutil
import signal
import tempfile
from pathlib import Path

from refettle.cli.common import DONE, Refused
from refettle.cli.serve import add_server_arguments


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_server_arguments(parser)
    parser.add_argument("--keep", metavar="DIR", help="keep the demo book in this folder, new or empty")
    parser.set_defaults(run=run)


def _kept_folder(name: str) -> Path:
    folder = Path(name).expanduser().absolute()
    if folder.exists() and not folder.is_dir():
        raise Refused(f"--keep {name}: a file found; allowed: a new or empty folder")
    if folder.is_dir() and any(folder.iterdir()) and not (folder / "demo").exists():
        raise Refused(f"--keep {name}: a folder with other files found; allowed: a new or empty folder")
    return folder


def run(args: argparse.Namespace) -> int:
    from refettle.web.serve import check_host, check_open, say, serve
    from refettle.web.start import StartError, start

    def stop(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, stop)
    folder = _kept_folder(args.keep) if args.keep else Path(tempfile.mkdtemp(prefix="refettle-demo-"))
    os.environ["REFETTLE_HOME"] = str(folder)
    for name in ("REFETTLE_DATABASE", "REFETTLE_DATABASE_PASSWORD_FILE", "REFETTLE_BACKUP"):
        os.environ.pop(name, None)  # the demo is never written into the bench's own book, nor among its backups
    try:
        host = check_host(args.host)
        start(lambda line: None)
        check_open(host)
        mark = folder / "demo"
        if not mark.exists():
            say("Filling the demo book...")
            _fill()
            mark.write_text("This folder holds a demo book.\n", encoding="utf-8")
        say(f"The demo book is kept in {folder}" if args.keep else "The demo book is thrown away when you stop.")
        serve(host=host, port=args.port, browser=not args.no_browser)
    except StartError as error:
        raise Refused(str(error)) from None
    finally:
        if not args.keep:
            _close_database()
            shutil.rmtree(folder, ignore_errors=True)
    return DONE


def _fill() -> None:
    try:
        demo = importlib.import_module("refettle.book.demo")
    except ModuleNotFoundError as error:
        if error.name != "refettle.book.demo":
            raise
        raise Refused("the demo book is not part of this installation") from None
    demo.fill()


def _close_database() -> None:
    from django.conf import settings

    if settings.configured:
        from django.db import connections

        connections.close_all()

"""Refettle loaded once, and forked for each command: a process of its own for each, without the second of loading.

Run as a script it reads commands from standard input, one line of JSON each, and says on standard output when one has
begun and ended. It opens no database itself and has one thread.
"""

from __future__ import annotations

import importlib
import json
import os
import pkgutil
import selectors
import signal
import sys


def load() -> None:
    """Everything that a command would import, for the book that the environment names."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "refettle.web.settings")
    from refettle.web.environment import read_options
    from refettle.web.home import prepare

    prepare(read_options(os.environ).home)  # the key is read with the settings
    import django

    django.setup()
    for name in (
        "refettle.web.urls",
        "refettle.web.wsgi",
        "refettle.web.serve",
        "waitress.server",
        "numpy",
        "PIL.Image",
    ):
        importlib.import_module(name)
    import refettle.book.migrations as migrations
    import refettle.cli as cli

    for package in (cli, migrations):
        for each in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
            importlib.import_module(each.name)
    from refettle.knowledge.loading import load_shipped_type

    load_shipped_type("corrigan-duo")


def run(words: list[str], out: str) -> None:
    """In the forked process: the command, and out."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.set_wakeup_fd(-1)
    nothing = os.open(os.devnull, os.O_RDONLY)
    file = os.open(out, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    for old, new in ((nothing, 0), (file, 1), (file, 2)):
        os.dup2(old, new)
    os.closerange(3, 64)
    os.setsid()
    status = 1
    try:
        from refettle.cli.main import main

        status = main(words)
    except SystemExit as left:
        status = left.code if isinstance(left.code, int) else 1
    finally:
        import atexit

        atexit._run_exitfuncs()
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)


def main() -> None:
    """Until standard input ends."""
    load()
    say = os.dup(1)
    os.set_inheritable(say, False)
    heard, told = os.pipe()
    os.set_blocking(told, False)
    os.set_blocking(heard, False)
    signal.signal(signal.SIGCHLD, lambda number, frame: None)
    signal.set_wakeup_fd(told)
    running: dict[int, int] = {}
    left = b""

    def tell(**facts: int) -> None:
        os.write(say, json.dumps(facts).encode() + b"\n")

    tell(ready=1)
    ears = selectors.DefaultSelector()
    ears.register(0, selectors.EVENT_READ)
    ears.register(heard, selectors.EVENT_READ)
    while True:
        for key, _ in ears.select():
            if key.fd == heard:
                os.read(heard, 4096)
                continue
            block = os.read(0, 65536)
            if not block:
                return
            left += block
        while b"\n" in left:
            line, _, left = left.partition(b"\n")
            asked = json.loads(line)
            pid = os.fork()
            if pid == 0:
                run(asked["words"], asked["out"])
            running[pid] = asked["id"]
            tell(id=asked["id"], pid=pid)
        while running:
            pid, status = os.waitpid(-1, os.WNOHANG)
            if not pid:
                break
            tell(id=running.pop(pid), status=os.waitstatus_to_exitcode(status))


if __name__ == "__main__":
    main()

"""``python -m watcher`` is the command ``reelvigil``."""

from watcher.cli import run

run()

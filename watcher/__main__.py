"""``python -m watcher`` is the command ``reelvigil``."""

from watcher.start import run

run()

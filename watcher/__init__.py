"""The daemon and the commands."""

import os

# Before numpy is loaded, which reads it once: the products of a block are small, and threads of
# its own that wait for each other on a busy server cost many times what they save.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"

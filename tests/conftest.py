"""What holds for every test."""

from __future__ import annotations

import signal

# A run that a shell put in the background has Ctrl-C ignored, and so would have every process that a test starts.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

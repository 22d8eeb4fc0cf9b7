"""Files from strangers are opened one at a time in a process.

Each has its bound on memory; several at once, as of readers who all ask for a thumbnail, would have none together.
"""

from __future__ import annotations

import threading

# A picture within a picture opens its file while the outer one is drawn.
ONE_AT_A_TIME = threading.RLock()

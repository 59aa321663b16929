"""What `make bench` measures; numpy is given one thread, as the front door has it (`soakbench.py`)."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

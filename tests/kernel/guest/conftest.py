"""These tests run beside the kernel's J1939 stack alone: tests/kernel/test_in_kernel.py sees to that."""

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

# boot.py sets it where vcan0 and vcan1 are there.
if "FAULTLAMP_KERNEL_TESTS" not in os.environ:
    collect_ignore_glob = ["test_*.py"]

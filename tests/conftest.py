"""What holds for every test, however the tests were started."""

import signal


def pytest_configure() -> None:
    """A program started by nohup ignores a hang-up, and so do its children: then a test of hanging up tests nothing."""
    if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
        signal.signal(signal.SIGHUP, signal.SIG_DFL)

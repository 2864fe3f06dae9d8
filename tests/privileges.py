"""Whether this process may write where permissions say no, as root usually may. CI runs such tests without that too."""

import os
import tempfile

__all__ = ["WRITES_ANYWHERE"]


def _writes_anywhere() -> bool:
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o500)
        may = os.access(folder, os.W_OK)
        os.chmod(folder, 0o700)
    return may


WRITES_ANYWHERE = _writes_anywhere()

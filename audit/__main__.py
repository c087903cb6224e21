"""``python -m audit`` is the command ``frame-audit``."""

from audit.cli import entry

if __name__ == "__main__":
    entry()

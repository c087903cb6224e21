"""Jobs for the worker tests: each misbehaves in one way. Loaded by real worker processes."""

import ctypes
import os
import sys
import threading
import time


class UnpicklableError(Exception):
    """Cannot travel between processes."""

    def __init__(self, lock: object) -> None:
        super().__init__("holds a lock")
        self.lock = lock

    def __reduce__(self) -> str:
        raise TypeError("never travels")


class UnspeakableError(Exception):
    """Fails when its text is asked for."""

    def __str__(self) -> str:
        raise RuntimeError("no text")


def misbehave(order: str) -> object:
    """Do what the order says; ``ok N`` is a sound task."""
    word, _, rest = order.partition(" ")
    return ORDERS[word](rest)


def _noisy(text: str) -> str:
    os.write(2, f"C library: {text}\n".encode())
    os.write(1, b"and on the other stream\n")
    sys.stdout.write("and from Python\n")
    return text


def _noisy_death(text: str) -> object:
    _noisy(text)
    return _segfault(text)


def _segfault(_: str) -> object:
    return ctypes.string_at(0)


def _hold_lock_forever(_: str) -> object:
    """Hang in C code that never lets another thread of the interpreter run."""
    return sum(iter(int, 1))


def _hang_in_c(_: str) -> object:
    """Hang in one C call that holds the interpreter's lock throughout."""
    libc = ctypes.PyDLL(None)
    return libc.sleep(3600)


def _allocate(megabytes: str) -> int:
    return len(bytearray(int(megabytes) * 1_000_000))


def _raise(text: str) -> object:
    raise ValueError(text)


def _raise_unpicklable(_: str) -> object:
    raise UnpicklableError(threading.Lock())


def _raise_unspeakable(_: str) -> object:
    raise UnspeakableError


def _die_once(marker: str) -> str:
    """Die on the first try alone; the marker is a file that remembers."""
    try:
        os.close(os.open(marker, os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        return "second try"
    os._exit(9)


def _sleep_once(marker: str) -> str:
    """Take a second, in small steps, on the first try; the marker is a file that remembers."""
    try:
        os.close(os.open(marker, os.O_CREAT | os.O_EXCL))
    except FileExistsError:
        return "second try"
    for _ in range(20):
        time.sleep(0.05)
    return "first try"


def _sleep(seconds: str) -> str:
    time.sleep(float(seconds))
    return seconds


def _babble(megabytes: str) -> str:
    """Write without end to the file for noise."""
    for _ in range(int(megabytes)):
        os.write(2, b"x" * 1_000_000)
    return megabytes


ORDERS = {
    "ok": lambda rest: f"done {rest}",
    "pid": lambda _: os.getpid(),
    "environment": os.environ.get,
    "noise": _noisy,
    "noisy-death": _noisy_death,
    "segfault": _segfault,
    "exit": lambda code: os._exit(int(code)),
    "leave": lambda code: sys.exit(int(code)),
    "hang": lambda _: time.sleep(3600),
    "hang-in-c": _hang_in_c,
    "spin": _hold_lock_forever,
    "allocate": _allocate,
    "raise": _raise,
    "raise-unpicklable": _raise_unpicklable,
    "raise-unspeakable": _raise_unspeakable,
    "return-unpicklable": lambda _: threading.Lock(),
    "die-once": _die_once,
    "sleep": _sleep,
    "sleep-once": _sleep_once,
    "babble": _babble,
}


def refuse_to_start() -> None:
    """Stand for a package that is missing."""
    raise ImportError("the decoder is not installed")

"""Damaged copies of sound files, the same ones for the same numbers.

Each kind stands for something that happens: bad sectors, a copy that broke off, a card that gave
zeros, flipped bits in transfer; and for what a hostile hand would do to the directories inside.
"""

import random
import struct
from collections.abc import Callable, Iterator, Mapping, Sequence

SECTOR_BYTES = 512
ABSURD = (0, 1, 7, 0x7FFF, 0x8000, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)

Damage = Callable[[bytearray, random.Random, Sequence[bytes]], bytes | bytearray]


def _flip_bits(data: bytearray, chance: random.Random, _: Sequence[bytes]) -> bytearray:
    for _flip in range(chance.choice((1, 2, 8, 64, 512))):
        data[_spot(data, chance)] ^= 1 << chance.randrange(8)
    return data


def _noise(data: bytearray, chance: random.Random, _: Sequence[bytes]) -> bytearray:
    at = _spot(data, chance)
    length = min(chance.choice((4, 64, 1024, 65536)), len(data) - at)
    data[at : at + length] = chance.randbytes(length)
    return data


def _bad_sectors(data: bytearray, chance: random.Random, _: Sequence[bytes]) -> bytearray:
    at = chance.randrange(0, len(data), SECTOR_BYTES)
    length = min(SECTOR_BYTES * chance.choice((1, 8, 64)), len(data) - at)
    data[at : at + length] = chance.choice((b"\0", b"\xff")) * length
    return data


def _cut(data: bytearray, chance: random.Random, _: Sequence[bytes]) -> bytearray:
    return data[: chance.choice((0, 1, 4, 12, 64, SECTOR_BYTES, chance.randrange(len(data))))]


def _zero_tail(data: bytearray, chance: random.Random, _: Sequence[bytes]) -> bytearray:
    at = chance.randrange(len(data))
    data[at:] = bytes(len(data) - at)
    return data


def _insert(data: bytearray, chance: random.Random, _: Sequence[bytes]) -> bytearray:
    at = _spot(data, chance)
    return data[:at] + chance.randbytes(chance.choice((1, 2, 4, 4096))) + data[at:]


def _delete(data: bytearray, chance: random.Random, _: Sequence[bytes]) -> bytearray:
    at = _spot(data, chance)
    return data[:at] + data[at + chance.choice((1, 2, 4, 4096)) :]


def _splice(data: bytearray, chance: random.Random, seeds: Sequence[bytes]) -> bytearray:
    other = chance.choice(seeds)
    return data[: chance.randrange(len(data))] + other[chance.randrange(len(other)) :]


def _swap_head(data: bytearray, chance: random.Random, seeds: Sequence[bytes]) -> bytearray:
    length = chance.choice((4, 16, 64, SECTOR_BYTES))
    return bytearray(chance.choice(seeds)[:length]) + data[length:]


def _storm_directory(data: bytearray, chance: random.Random, _: Sequence[bytes]) -> bytearray:
    """Absurd types, counts, values and links in the first TIFF directory of the file."""
    base = next((at for mark in (b"II*\0", b"MM\0*") if (at := data.find(mark, 0, 65536)) >= 0), -1)
    if base < 0 or base + 10 > len(data):
        return _flip_bits(data, chance, ())
    order = "<" if data[base : base + 2] == b"II" else ">"
    (first,) = struct.unpack_from(order + "I", data, base + 4)
    start = base + first
    if start + 2 > len(data):
        return _flip_bits(data, chance, ())
    (count,) = struct.unpack_from(order + "H", data, start)
    for entry in range(min(count, 200)):
        at = start + 2 + 12 * entry
        if at + 16 <= len(data) and chance.random() < 0.3:
            value = chance.choice((*ABSURD, first, len(data)))
            struct.pack_into(order + "I", data, at + chance.choice((4, 8, 12)), value)
    return data


KINDS: Mapping[str, Damage] = {
    "bits": _flip_bits,
    "noise": _noise,
    "sectors": _bad_sectors,
    "cut": _cut,
    "zeros": _zero_tail,
    "insert": _insert,
    "delete": _delete,
    "splice": _splice,
    "head": _swap_head,
    "directory": _storm_directory,
}
SUFFIXES = ("jpg", "dng", "cr2", "nef", "arw", "raf", "cr3", "tif")


def damaged_files(
    seeds: Sequence[tuple[str, bytes]], numbers: range, *, series: str
) -> Iterator[tuple[str, bytes]]:
    """Name and content of each damaged file.

    Parameters
    ----------
    seeds : sequence of (name, content)
    numbers : range
        One file each; a file depends on its number, the series and the seeds alone.
    series : str
        Another word gives other files.
    """
    contents = [content for _, content in seeds]
    for number in numbers:
        chance = random.Random(f"{series}/{number}")
        name, content = chance.choice(seeds)
        kind = chance.choice(tuple(KINDS))
        suffix = name.rpartition(".")[2]
        if chance.random() < 0.05:
            suffix = chance.choice(SUFFIXES)
        damaged = KINDS[kind](bytearray(content), chance, contents)
        yield f"{number:06d}-{kind}.{suffix}", bytes(damaged)


def _spot(data: bytearray, chance: random.Random) -> int:
    """Place in the file, near its head more often than not."""
    reach = len(data) if chance.random() < 0.5 else min(len(data), 4096)
    return chance.randrange(reach)

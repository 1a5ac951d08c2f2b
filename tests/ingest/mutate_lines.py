"""Damages the lines of a log as disks, cables and people do, the same way each time. No test in here."""

from __future__ import annotations

from random import Random

NOISE = (
    b"\0", b"\xff", b"\xc3", b"\x80", b"\xef\xbb\xbf", b"\r", b"\t", b"\x1b", b'"', b"\\", b";", b"|", b"=", b"[", b"{",
    b"]", b"}", b"<", b">", b"'", b",", b"-", b"  ", "ß€".encode(), b"\x85", b"\xe2\x80\xa8", b"\x0c",
)  # fmt: skip
HUGE = (
    b"99999999999999999999999999999", b"-1", b"1e308", b"1e-400", b"NaN", b"0x1F", b"00000000000000000000001",
    b"1.5.2", b"18446744073709551616", b"-9223372036854775809", b"inf",
)  # fmt: skip


def mutated(random: Random, data: bytes) -> bytes:
    """Return the data with one to three faults; it may hold ends of lines afterwards, or nothing."""
    for _ in range(random.choice((1, 1, 1, 2, 3))):
        data = random.choice(FAULTS)(random, data)
    return data


def _flip(random: Random, data: bytes) -> bytes:
    at = random.randrange(len(data) or 1)
    return data[:at] + bytes([(data[at] if data else 0) ^ 1 << random.randrange(8)]) + data[at + 1 :]


def _insert(random: Random, data: bytes) -> bytes:
    at = random.randrange(len(data) + 1)
    return data[:at] + random.choice(NOISE) + data[at:]


def _any_byte(random: Random, data: bytes) -> bytes:
    at = random.randrange(len(data) + 1)
    return data[:at] + bytes([random.randrange(256)]) + data[at:]


def _delete(random: Random, data: bytes) -> bytes:
    at = random.randrange(len(data) + 1)
    return data[:at] + data[at + random.randrange(1, 9) :]


def _repeat(random: Random, data: bytes) -> bytes:
    at = random.randrange(len(data) + 1)
    piece = data[at : at + random.randrange(1, 30)]
    return data[:at] + piece * random.randrange(1, 5) + data[at:]


def _swap(random: Random, data: bytes) -> bytes:
    one, two = sorted((random.randrange(len(data) + 1), random.randrange(len(data) + 1)))
    middle = (one + two) // 2
    return data[:one] + data[middle:two] + data[one:middle] + data[two:]


def _cut(random: Random, data: bytes) -> bytes:
    return data[: random.randrange(len(data) + 1)]


def _cut_front(random: Random, data: bytes) -> bytes:
    return data[random.randrange(len(data) + 1) :]


def _huge(random: Random, data: bytes) -> bytes:
    """Put another number where one stands."""
    starts = [n for n, byte in enumerate(data) if 48 <= byte <= 57 and not (n and 48 <= data[n - 1] <= 57)]
    if not starts:
        return data + random.choice(HUGE)
    at = end = random.choice(starts)
    while end < len(data) and 48 <= data[end] <= 57:
        end += 1
    return data[:at] + random.choice(HUGE) + data[end:]


FAULTS = (_flip, _flip, _insert, _insert, _any_byte, _delete, _repeat, _swap, _cut, _cut_front, _huge)


def mutated_log(random: Random, lines: list[bytes], first: bytes, n: int) -> tuple[bytes, dict[int, int]]:
    """Return a log of at least n damaged lines, and which of its lines are whole: number -> index in `lines`.

    `first` stands in front as it is. Every fifth line is left whole; some damaged ones lose their end.
    """
    parts, number, whole = [first], first.count(b"\n") + 1, {}
    joined = False
    for _ in range(n):
        if random.random() < 0.2:
            index = random.randrange(len(lines))
            if not joined:
                whole[number] = index
            parts.append(lines[index] + b"\n")
            number, joined = number + 1, False
        data = mutated(random, random.choice(lines))
        joined = random.random() < 0.05
        if not joined:
            data += b"\n"
        parts.append(data)
        number += data.count(b"\n")
        joined = not data.endswith(b"\n")
    return b"".join(parts), whole

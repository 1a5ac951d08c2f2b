"""However a stream comes in pieces, it gives the same lines; and no sender can fill the memory or disguise a file."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.feeds.clean import LONGEST, SHOWN, clean, marked
from ingest.feeds.cut import LITTLE, MUCH, Held, Lines, RefusedError
from ingest.feeds.syslog import Frames

messages = st.lists(st.binary(max_size=40), max_size=8)


def pieces(data: bytes, cuts: list[int]) -> list[bytes]:
    at = [0, *sorted(c % (len(data) + 1) for c in cuts), len(data)]
    return [data[a:b] for a, b in pairwise(at)]


@settings(max_examples=200, deadline=None)
@given(messages, st.lists(st.integers(0, 1000), max_size=6))
def test_lines_do_not_depend_on_the_pieces_in_which_they_come(sent, cuts):
    data = b"\n".join(sent)
    held = Held()
    lines = Lines(held)
    found = [line for piece in pieces(data, cuts) for line in lines.feed(piece)] + lines.finish()
    expected = [clean(line) for line in data.split(b"\n")]
    assert found == (expected if data.split(b"\n")[-1] else expected[:-1])
    assert held.total == 0


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(st.booleans(), st.text("abc\n<>1 ", min_size=1, max_size=12)), max_size=6),
    st.lists(st.integers(0, 1000), max_size=6),
)
def test_messages_with_and_without_a_length_may_follow_one_another(sent, cuts):
    data, expected = b"", []
    for counted, text in sent:
        message = b"<34>1 " + (text if counted else text.replace("\n", "")).encode()
        data += b"%d %b" % (len(message), message) if counted else message + b"\n"
        expected.append(clean(message))
    held = Held()
    frames = Frames(held)
    found = [line for piece in pieces(data, cuts) for line in frames.feed(piece)] + frames.finish()
    assert found == expected
    assert held.total == 0


def test_control_characters_are_written_so_that_a_spool_file_stays_text():
    assert clean(b"a\tb\x00\x1b[1m\n\r\n") == b"a\tb#000#033[1m#012"
    assert clean("Prüfung ok".encode("cp1252")) == "Prüfung ok".encode("cp1252")


@pytest.mark.parametrize("magic", [b"\xff\xfe", b"\xfe\xff", b"\x28\xb5\x2f\xfd", b"\x1f\x8b", b"SQLite format 3\0"])
def test_no_line_makes_a_spool_file_look_like_another_kind_of_file(magic):
    assert not clean(magic + b" something").startswith(magic)


def test_a_line_that_is_too_long_is_read_over_and_its_beginning_is_kept():
    held = Held()
    lines = Lines(held)
    for _ in range(40):
        assert lines.feed(b"x" * 65536) == []
        assert held.total <= LONGEST + 65536
    assert held.total == SHOWN
    assert lines.feed(b"\nnext\n") == [marked("a line of 2,621,440 bytes was cut off", b"x" * SHOWN), b"next"]


def test_many_long_lines_at_once_are_cut_off_earlier():
    held = Held()
    clients = [Lines(held) for _ in range(200)]
    for _ in range(8):
        for lines in clients:
            lines.feed(b"x" * 60_000)
    assert held.total <= MUCH + LITTLE
    assert sum(len(lines.feed(b"\n")) for lines in clients) == 200
    assert held.total == 0


@pytest.mark.parametrize("size", [b"1073741824", b"9999999999", b"1048577"])
def test_a_message_whose_told_length_is_beyond_reason_is_refused_before_it_comes(size):
    frames = Frames(Held())
    with pytest.raises(RefusedError) as refused:
        frames.feed(b"5 <1>1 " + size + b" <34>1 2026-10-23T06:00:00Z the beginning")
    first, told = refused.value.lines
    assert first == b"<1>1 "
    assert f"a message of {int(size):,} bytes was announced".encode() in told
    assert told.endswith(b"the beginning")
    assert told.startswith(b"\0")


def test_a_number_that_never_ends_is_a_line_and_no_length():
    assert Frames(Held()).feed(b"9" * 50 + b" x\n") == [b"9" * 50 + b" x"]


def test_a_message_that_breaks_off_is_marked_as_not_whole():
    frames = Frames(Held())
    assert frames.feed(b"100 <34>1 only a part") == []
    assert frames.finish() == [marked("the connection ended within this message", b"100 <34>1 only a part")]

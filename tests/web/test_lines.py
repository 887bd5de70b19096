"""The line between the event loop and a worker: whole messages come out, however their bytes come in."""

from typing import Any

import msgspec
import pytest

from sillcast.web.compute import Done, Progress, Step, Stopped
from sillcast.web.nursery import FRAME
from sillcast.web.workers import _BUFFER_BYTES, _Line


def done(content: bytes) -> Done:
    steps = [Step("decode", 1.0, 0.5)]
    return Done(content=content, headers=[(b"server-timing", b"decode;dur=500.000")], steps=steps, families=["mat"])


SAID = [
    done(b"content"),
    Progress(stage="looking", done=1, of=2),
    Stopped(),
    done(b"x" * (_BUFFER_BYTES - 200)),
    Stopped(family="mat"),
    done(b"y" * (3 * _BUFFER_BYTES)),
    done(b""),
]


@pytest.mark.parametrize("most", [1, 3, 1000, 1 << 30], ids=["bytes", "threes", "thousands", "all there is room for"])
def test_messages_come_out_whole_and_in_order(most: int) -> None:
    said = SAID[:3] if most < 1000 else SAID  # byte by byte, the long ones take long
    messages = [msgspec.msgpack.encode(each) for each in said]
    sent = memoryview(b"".join(FRAME.pack(len(each)) + each for each in messages))
    heard: list[Any] = []
    line = _Line(heard.append)
    while sent:
        # As an event loop does, which holds the buffer until the bytes in it have been looked at.
        with line.get_buffer(-1) as room:
            count = min(len(room), len(sent), most)
            room[:count] = sent[:count]
            line.buffer_updated(count)
        sent = sent[count:]
    assert heard == said
    assert len(line._buffer) <= 2 * _BUFFER_BYTES  # a long message holds no memory once it is gone

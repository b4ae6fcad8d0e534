"""Whether two H.264 pictures follow each other, by the numbers that the encoder gave them.

A decoder fills in for a picture that is missing and does not say so. Sections are those of
ITU-T H.264.
"""

from __future__ import annotations

from typing import Any

#: Profiles whose parameter sets describe the chroma too (7.3.2.1.1).
_HIGH = {100, 110, 122, 244, 44, 83, 86, 118, 128, 134, 135, 138, 139}
_SLICES, _ALONE, _PARAMETERS = {1, 5}, 5, 7
#: What is needed of a unit stands in its first bytes; scaling lists are the longest part.
_HEAD_BYTES = 512
_SLICE_BYTES = 16


Number = tuple[int, bool]
"""What a picture's slices call ``frame_num``, and whether later pictures may build on it."""


class FrameNumbers:
    """The numbering of one stream, from its parameter set."""

    def __init__(self, extradata: bytes) -> None:
        """Read the parameter set; raises `ValueError` if there is none that is understood."""
        # Either units with start codes, or the MP4 form: ISO/IEC 14496-15, 5.3.3.1.
        self._length_bytes = (extradata[4] & 3) + 1 if extradata[:1] == b"\1" else 0
        if self._length_bytes:
            unit = extradata[8 : 8 + int.from_bytes(extradata[6:8], "big")]
        else:
            unit = next((u for u in _units(extradata, 0) if u[0] & 31 == _PARAMETERS), b"")
        if not unit or unit[0] & 31 != _PARAMETERS:
            raise ValueError("no parameter set")
        bits = _Bits(unit[1:_HEAD_BYTES])
        profile = bits.take(8)
        bits.take(16)
        bits.golomb()
        self._planes = profile in _HIGH and _chroma(bits)
        self._bits = bits.golomb() + 4

    def of(self, packet: Any) -> Number | None:
        """Return a picture's number; None where the packet is not understood."""
        try:
            unit = self._slice(packet)
            bits = _Bits(unit[1:_SLICE_BYTES])
            for _ in range(3):  # first macroblock, type, parameter set
                bits.golomb()
            bits.take(2 if self._planes else 0)
            return bits.take(self._bits), unit[0] & 0x60 != 0
        except ValueError:
            return None

    def alone(self, packet: Any) -> bool:
        """Tell whether nothing from this picture on builds on anything before it (7.4.1.2.4)."""
        return packet.is_keyframe and any(u & 31 == _ALONE for u in self._slice(packet)[:1])

    def follows(self, before: Number, after: Number) -> bool:
        """Tell whether no reference picture is missing between two."""
        # 7.4.3, frame_num: it counts the reference pictures before.
        return (after[0] - before[0] - before[1]) % (1 << self._bits) == 0

    def _slice(self, packet: Any) -> bytes:
        content = memoryview(packet)
        for part in (content[:_HEAD_BYTES], content):
            for unit in _units(bytes(part), self._length_bytes):
                if unit[0] & 31 in _SLICES:
                    return bytes(unit)
        return b""


def _units(content: bytes, length_bytes: int) -> Any:
    """Yield the units of a stream, never empty (Annex B, or each with its length before it)."""
    if not length_bytes:
        yield from (part for part in content.split(b"\0\0\1")[1:] if part)
        return
    at = 0
    while at + length_bytes < len(content):
        # The last may be cut short.
        start = at + length_bytes
        at = start + int.from_bytes(content[at:start], "big")
        if at > start:
            yield content[start:at]


def _chroma(bits: _Bits) -> bool:
    """Read past the part that only high profiles have; tell whether planes are coded apart."""
    form = bits.golomb()
    apart = form == 3 and bits.take(1) == 1
    bits.golomb()
    bits.golomb()
    bits.take(1)
    if bits.take(1):
        for i in range(12 if form == 3 else 8):
            if bits.take(1):
                _scaling_list(bits, 16 if i < 6 else 64)
    return apart


def _scaling_list(bits: _Bits, size: int) -> None:
    # 7.3.2.1.1.1: steps, signed, until one leads to 0.
    last = 8
    for _ in range(size):
        code = bits.golomb()
        last = (last + (code + 1) // 2 * (1 if code % 2 else -1)) % 256
        if last == 0:
            return


class _Bits:
    """Reads the bit strings of a unit; raises `ValueError` past its end."""

    def __init__(self, content: bytes) -> None:
        content = content.replace(b"\0\0\3", b"\0\0")  # 7.3.1, emulation prevention
        self._text = f"{int.from_bytes(content, 'big'):0{8 * len(content)}b}" if content else ""
        self._at = 0

    def take(self, count: int) -> int:
        part = self._text[self._at : self._at + count]
        if len(part) < count:
            raise ValueError("the unit ends early")
        self._at += count
        return int(part or "0", 2)

    def golomb(self) -> int:
        one = self._text.index("1", self._at)
        zeros, self._at = one - self._at, one
        return self.take(zeros + 1) - 1

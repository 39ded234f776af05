"""Readings that wait for the network, in flash: whole records, oldest first, safe against power cuts.

Records are appended to small files; a file goes when all of it was acknowledged. After a restart what
is left of the oldest file is sent again: its true times let the collector tell it from new readings.
"""

import binascii
import os
import struct

_FORM = "<IIH8h"
_SIZE = 32
_CHANNELS = 8
RECORDS_A_FILE = 128
FILE_BYTES = _SIZE * RECORDS_A_FILE


def _packed(number, at_s, values):
    mask, numbers = 0, [0] * _CHANNELS
    for i, value in enumerate(values):
        if value is not None:
            mask |= 1 << i
            numbers[i] = min(max(value, -32768), 32767)
    body = struct.pack(_FORM, number, at_s, mask, *numbers)
    return body + struct.pack("<Ixx", binascii.crc32(body))


def _unpacked(record):
    body = record[: struct.calcsize(_FORM)]
    if len(record) < _SIZE or struct.unpack("<I", record[len(body) : len(body) + 4])[0] != binascii.crc32(body):
        return None
    number, at_s, mask, *numbers = struct.unpack(_FORM, body)
    return number, at_s, [n if mask >> i & 1 else None for i, n in enumerate(numbers)]


class Ring:
    """A queue of (time in s, values) in a folder, `most_files` long; the oldest make room. At most 8 values."""

    def __init__(self, folder, most_files=128):
        self._folder, self._most = folder, most_files
        self.lost = 0
        try:
            os.mkdir(folder)
        except OSError:
            pass  # it is there
        self._files = sorted(int(name[:-5], 16) for name in os.listdir(folder) if name.endswith(".ring"))
        self._next, self._head = 0, 0
        self._open = False  # whether the newest file may be appended to
        while self._files and not self._whole(self._files[-1]):
            os.remove(self._name(self._files.pop()))  # begun, and the power went
        if self._files:
            self._head, self._next = self._files[0], self._files[-1] + self._whole(self._files[-1])

    def __len__(self):
        return self._next - self._head

    def append(self, at_s, values):
        """Keep one reading; it is in flash when this returns. Raises OSError if flash refuses."""
        begin = not self._open or self._next - self._files[-1] >= RECORDS_A_FILE
        if begin:
            self._sweep(self._next)
            while len(self._files) >= self._most:
                self._lose_oldest()
        name = self._next if begin else self._files[-1]
        try:
            with open(self._name(name), "ab") as file:
                file.write(_packed(self._next, at_s, values))
        except OSError:
            self._open = False  # the file may end in half a record
            raise
        if begin:
            self._files.append(name)
            self._open = True
        self._next += 1

    def oldest(self, count):
        """Return up to `count` of the oldest as (time, values), all of one file."""
        while len(self):
            first = self._files[0]
            found = self._read(first, self._head - first, count)
            if found:
                return found
            self._forget_file()
        return []

    def drop(self, count):
        """Forget the `count` oldest: they were acknowledged."""
        self._head = min(self._head + count, self._next)
        self._drop_empty()

    def _drop_empty(self):
        while self._files and self._head >= (self._files[1] if len(self._files) > 1 else self._next):
            self._forget_file()

    def _lose_oldest(self):
        after = self._files[1] if len(self._files) > 1 else self._next
        self.lost += max(0, after - self._head)
        self._forget_file()

    def _forget_file(self):
        os.remove(self._name(self._files.pop(0)))
        self._head = max(self._head, self._files[0] if self._files else self._next)
        self._open = self._open and bool(self._files)

    def _sweep(self, first):
        """Remove what a failed write left under the name of the file to begin."""
        try:
            os.remove(self._name(first))
        except OSError:
            pass  # nothing there, as usual

    def _whole(self, first):
        """Return how many whole records a file begins with: a power cut may have torn the last."""
        count = 0
        with open(self._name(first), "rb") as file:
            while _unpacked(file.read(_SIZE)) is not None:
                count += 1
        return count

    def _read(self, first, skip, count):
        """Return up to `count` of a file's whole records behind the first `skip`, as (time, values)."""
        found = []
        with open(self._name(first), "rb") as file:
            file.seek(skip * _SIZE)
            while len(found) < count:
                record = _unpacked(file.read(_SIZE))
                if record is None:
                    break
                found.append(record[1:])
        return found

    def _name(self, first):
        return "%s/%08x.ring" % (self._folder, first)

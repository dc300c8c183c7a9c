"""The unit's samples on flash, the oldest overwritten when there is no more room."""

import struct
import threading
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from firmware_sim.firmware.flash import PAGE_BYTES, Flash
from firmware_sim.firmware.pagelog import CHECK_BYTES, HEAD_BYTES, PageLog
from services.telemetry import IntArray

_NOT_MEASURED = np.iinfo(np.int32).min
_CHUNK = 1024
_GONE_KEPT = 256
_MARKS = struct.Struct("<QQ")

Records = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Counts:
    """Where a ring stands; indexes count every place for a record that was ever used."""

    written: int
    freed: int
    """Everything before this index is confirmed, was overwritten or is gone."""
    lost: int
    """Overwritten before it was confirmed."""


@dataclass(frozen=True, slots=True)
class Gone:
    """Numbers of one boot whose records went bad, both ends inclusive."""

    bid: int
    from_sq: int
    to_sq: int


def record_type(channels: tuple[str, ...]) -> np.dtype[Any]:
    """Return how one sample lies on flash, all numbers least byte first."""
    return np.dtype(
        [
            ("bid", "<u4"),
            ("sq", "<u4"),
            ("t_ms", "<i8"),
            ("up_ms", "<u8"),
            ("tq", "<u4"),
            ("milli", "<i4", (len(channels),)),
        ]
    )


def pages_for(channels: tuple[str, ...], samples: int) -> int:
    """Return how many pages hold at least so many samples, one page always being free to erase."""
    return max(2, -(-samples // slots_a_page(channels)) + 1)


def slots_a_page(channels: tuple[str, ...]) -> int:
    """Return how many samples lie on a page."""
    return (PAGE_BYTES - HEAD_BYTES) // (record_type(channels).itemsize + CHECK_BYTES)


class Ring:
    """Samples of one unit in the order they were taken, and up to where they are confirmed."""

    def __init__(
        self, flash: Flash, *, channels: tuple[str, ...], mark_pages: tuple[int, int], pages: tuple[int, int]
    ) -> None:
        """Find out what is kept; `mark_pages` and `pages` are first page and number of pages."""
        self._channels = channels
        self._lock = threading.Lock()
        self._type = record_type(channels)
        self._indexed = np.dtype([("index", "<i8"), *self._type.descr])
        self._log = PageLog(flash, first_page=pages[0], pages=pages[1], record_bytes=self._type.itemsize)
        self._marks = PageLog(flash, first_page=mark_pages[0], pages=mark_pages[1], record_bytes=_MARKS.size)
        self._freed, self._lost = self._last_mark()
        if self._freed > self._log.end:  # the newest page is gone; its places are used again
            self._freed = self._log.end
            self._keep_mark()
        self._pass_overwritten()
        self._known_gone: list[Gone] = []

    def _last_mark(self) -> tuple[int, int]:
        found = self._marks.read(max(0, self._marks.end - 2 * self._marks.slots), self._marks.end)
        if not found:
            return 0, 0
        freed, lost = _MARKS.unpack(found[-1].body)
        return int(freed), int(lost)

    def _keep_mark(self) -> None:
        self._marks.append([_MARKS.pack(self._freed, self._lost)])

    def _pass_overwritten(self) -> None:
        if self._log.begin > self._freed:
            self._lost += self._log.begin - self._freed
            self._freed = self._log.begin

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the kept values, in order."""
        return self._channels

    def counts(self) -> Counts:
        """Return where the ring stands."""
        with self._lock:
            return Counts(self._log.end, self._freed, self._lost)

    def append(
        self,
        *,
        bid: int,
        sq: int,
        tq: npt.ArrayLike,
        t_ms: IntArray,
        up_ms: IntArray,
        milli: npt.NDArray[np.int32],
    ) -> None:
        """Keep samples with consecutive numbers from `sq`; one row of `milli` for each."""
        fresh = np.empty(t_ms.size, dtype=self._type)
        fresh["bid"], fresh["tq"] = bid, tq
        fresh["sq"] = sq + np.arange(t_ms.size)
        fresh["t_ms"], fresh["up_ms"], fresh["milli"] = t_ms, up_ms, milli
        with self._lock:
            self._append(fresh)

    def _append(self, fresh: Records) -> None:
        raw, size = fresh.tobytes(), self._type.itemsize
        self._log.append([raw[at : at + size] for at in range(0, len(raw), size)])
        self._pass_overwritten()

    def read(self, start: int, end: int) -> Records:
        """Return the whole records of ``[start, end)``, each with its `index`."""
        with self._lock:
            return self._read(start, end)

    def _read(self, start: int, end: int) -> Records:
        found = self._log.read(start, end)
        plain = np.frombuffer(b"".join(each.body for each in found), dtype=self._type)
        records = np.empty(len(found), dtype=self._indexed)
        records["index"] = [each.index for each in found]
        for name in self._type.names or ():
            records[name] = plain[name]
        return records

    def free(self, marks: dict[int, int]) -> int:
        """Free confirmed records from the oldest on and return the new oldest index.

        Stops at the first record above its boot's mark: nothing behind an unconfirmed one is freed.
        Losing power before the new place is kept only means that some are sent again.
        """
        with self._lock:
            freed, written = self._freed, self._log.end
            while freed < written:
                upto = min(freed + _CHUNK, written)
                some = self._read(freed, upto)
                boots, which = np.unique(some["bid"], return_inverse=True)
                mark = np.array([marks.get(int(bid), -1) for bid in boots], dtype=np.int64)[which]
                above = np.flatnonzero(some["sq"] > mark)
                freed = int(some["index"][above[0]]) if above.size else upto
                if above.size:
                    break
            if freed != self._freed:
                self._freed = freed
                self._keep_mark()
            return freed

    def give_up(self) -> None:
        """Free everything: the samples belong to somebody else."""
        with self._lock:
            self._lost += self._log.end - self._freed
            self._freed = self._log.end
            self._keep_mark()

    def shift_boots(self, beyond: int) -> None:
        """Move what is not confirmed out of the boots up to `beyond`, each by that many.

        It is written again, then the former is freed. Interrupted in between it may be done again:
        what then lies there twice has the same number and the same values.
        """
        with self._lock:
            end = self._log.end
            some = self._read(self._freed, end)
            some["bid"] = np.where(some["bid"] <= beyond, some["bid"] + beyond, some["bid"])
            _, first = np.unique(some[["bid", "sq"]], return_index=True)
            fresh = np.empty(first.size, dtype=self._type)
            for name in self._type.names or ():
                fresh[name] = some[name][first]
            self._append(fresh)
            self._freed = max(self._freed, end)
            self._keep_mark()

    def find(self, *, bid: int, first_sq: int, last_sq: int) -> Records:
        """Return a boot's records with numbers from first to last, freed ones too while they last."""
        with self._lock:
            kept = self._read(self._log.begin, self._log.end)
        chosen = (kept["bid"] == bid) & (kept["sq"] >= first_sq) & (kept["sq"] <= last_sq)
        found: Records = kept[chosen]
        return found

    def newest_bid(self) -> int:
        """Return the boot of the newest whole record, -1 when there is none; boots only count up."""
        with self._lock:
            end = self._log.end
            while end > self._log.begin:
                some = self._read(end - _CHUNK, end)
                if some.size:
                    return int(some["bid"][-1])
                end -= _CHUNK
        return -1

    def uptime_since(self, bid: int, *, before: int) -> int:
        """Return the summed uptimes [ms] of the boots from `bid` up to one before another, as far as kept."""
        with self._lock:
            kept = self._read(self._log.begin, self._log.end)
        boots = sorted(set(kept["bid"].tolist()) & set(range(bid, before)))
        return sum(int(kept["up_ms"][kept["bid"] == boot].max()) for boot in boots)

    def check(self) -> list[Gone]:
        """Look at what is not confirmed yet, and return numbers that went bad since the last look.

        A slot torn by a loss of power holds no number: the next boot began at zero.
        """
        with self._lock:
            self._log.check_heads()
            start, end = max(self._log.begin, self._freed), self._log.end
            gone: list[Gone] = []
            for first, after in self._log.bad_slots(start, end):
                gone += _numbers_in(first, after, self._read(first - 1, after + 1))
            fresh = [each for each in gone if each not in self._known_gone]
            self._known_gone = [*self._known_gone, *fresh][-_GONE_KEPT:]
            return fresh

    def page_of(self, index: int) -> int:
        """Return the page of the flash a record lies on."""
        return self._log.page_of(index)

    def index_at(self, t_ms: int) -> int:
        """Return the index of the first record at or after a time, the end when there is none."""
        with self._lock:
            kept = self._read(self._log.begin, self._log.end)
            later = np.flatnonzero(kept["t_ms"] >= t_ms)
            return int(kept["index"][later[0]]) if later.size else self._log.end


def _numbers_in(first: int, after: int, near: Records) -> list[Gone]:
    """Return which numbers lay in the bad places ``[first, after)``, from the whole records next to them."""
    last = [each for each in near if each["index"] == after]
    if not last:
        return []  # the newest places: nobody can tell yet, or they were torn
    bid, sq = int(last[0]["bid"]), int(last[0]["sq"])
    before = [each for each in near if each["index"] == first - 1]
    gone = []
    low = max(0, sq - (after - first))
    if before and int(before[0]["bid"]) == bid:
        low = int(before[0]["sq"]) + 1
    elif before and after - first > sq + 1:  # one place more is what a lost supply leaves torn
        from_sq = int(before[0]["sq"]) + 1
        gone.append(Gone(int(before[0]["bid"]), from_sq, from_sq + after - first - sq - 1))
    return [*gone, Gone(bid, low, sq - 1)] if low < sq else gone


def milli_or_missing(values: npt.NDArray[np.float64]) -> npt.NDArray[np.int32]:
    """Return milli-units for keeping, half to even; NaN becomes the mark for "not measured"."""
    missing = ~np.isfinite(values)
    scaled = np.rint(np.where(missing, 0.0, values) * 1000.0).astype(np.int32)
    scaled[missing] = _NOT_MEASURED
    return scaled


def is_measured(milli: int) -> bool:
    """Return whether a kept value was measured."""
    return milli != _NOT_MEASURED

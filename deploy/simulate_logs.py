"""Logs of simulated units: gathered over some days, then written by a thread while the run goes on."""

from collections.abc import Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, Self

import numpy as np
import pyarrow as pa
from pyarrow import csv, parquet

from firmware_sim.delivery import Links
from firmware_sim.history import Block, read_by, sampled_rows
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.sensors import COLUMN_OF
from services.telemetry import FloatArray, IntArray

ARRIVAL = ("bid", "sq", "tq", "received")
"""Columns of a log that is not simply what was measured: numbers of the samples, and when they arrived."""

BOOLEAN_COLUMNS = frozenset({"compressor_on", "lid_open"})


@dataclass(frozen=True)
class Rows:
    """Some rows of one unit's log."""

    t_ms: IntArray
    stamps: Sequence[str] | Any
    """The same as text."""
    table: FloatArray
    """(rows, columns)"""
    arrival: Mapping[str, IntArray] = field(default_factory=dict)
    """`ARRIVAL` by name; empty where every sample arrives as it is measured."""

    def texts(self) -> dict[str, Any]:
        """Return `arrival` as it stands in text."""
        return {
            name: stamps_of(values) if name == "received" else values for name, values in self.arrival.items()
        }


class _Csv:
    """A log as text; opened anew for each piece, so that many units need few open files."""

    def __init__(self, path: Path, columns: tuple[str, ...], arrival: tuple[str, ...]) -> None:
        self._path, self._columns = path, columns
        path.write_text(",".join(("time", *columns, *arrival)) + "\n", encoding="utf-8")

    def write(self, rows: Rows) -> None:
        with self._path.open("ab") as file:
            _write_text(file, rows, self._columns)


def _write_text(file: BinaryIO, rows: Rows, columns: tuple[str, ...]) -> None:
    arrays = [pa.array(rows.stamps)]
    for k, column in enumerate(columns):
        values, missing = rows.table[:, k], np.isnan(rows.table[:, k])
        if column in BOOLEAN_COLUMNS:
            values = np.where(missing, 0.0, values).astype(np.int8)
        arrays.append(pa.array(np.ascontiguousarray(values), mask=missing))
    arrays += [pa.array(texts) for texts in rows.texts().values()]
    table = pa.Table.from_arrays(arrays, names=["time", *columns, *rows.arrival])
    options = csv.WriteOptions(include_header=False, quoting_style="none")
    csv.write_csv(table, file, write_options=options)


class _Parquet:
    """The same log for column stores."""

    def __init__(
        self, path: Path, columns: tuple[str, ...], arrival: tuple[str, ...], stack: ExitStack
    ) -> None:
        types = [pa.bool_() if column in BOOLEAN_COLUMNS else pa.float64() for column in columns]
        instant = pa.timestamp("ms", tz="UTC")
        self._schema = pa.schema(
            [
                ("time", instant),
                *zip(columns, types, strict=True),
                *((name, instant if name == "received" else pa.int64()) for name in arrival),
            ]
        )
        self._writer = stack.enter_context(parquet.ParquetWriter(path, self._schema))

    def write(self, rows: Rows) -> None:
        missing = np.isnan(rows.table)
        arrays = [pa.array(rows.t_ms, type=self._schema.field(0).type)]
        for k in range(rows.table.shape[1]):
            column, of = np.ascontiguousarray(rows.table[:, k]), self._schema.field(k + 1).type
            if of == pa.bool_():
                column = np.where(missing[:, k], 0.0, column).astype(bool)
            arrays.append(pa.array(column, mask=missing[:, k], type=of))
        arrays += [
            pa.array(values, type=self._schema.field(name).type) for name, values in rows.arrival.items()
        ]
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self._schema))


class _Log:
    """One unit's log."""

    def __init__(
        self,
        folder: Path,
        unit: str,
        columns: tuple[str, ...],
        arrival: tuple[str, ...],
        stack: ExitStack,
        *,
        text: bool,
    ) -> None:
        self._csv = _Csv(folder / f"{unit}.csv", columns, arrival) if text else None
        self._parquet = _Parquet(folder / f"{unit}.parquet", columns, arrival, stack)
        self.rows = 0

    def write(self, rows: Rows) -> None:
        if self._csv is not None:
            self._csv.write(rows)
        self._parquet.write(rows)
        self.rows += rows.t_ms.size


class Logs:
    """The logs of a scenario; a context whose end waits until all is written.

    What is taken is gathered until `flush`; a thread then writes it. The log of a unit whose clock, memory or
    way to the broker is at fault is what a subscriber would have received, and written at the end. Without
    `text` there is no CSV beside the Parquet.
    """

    def __init__(self, scenario: Scenario, folder: Path, *, anchor_ms: int, text: bool = True) -> None:
        self._scenario, self._folder, self._text = scenario, folder, text
        self._links = Links(scenario, anchor_ms=anchor_ms)
        self._held: dict[int, list[Rows]] = {i: [] for i in self._links.disturbed}
        self.delivery: dict[int, dict[str, Any]] = {}
        """What became of the samples of those units, by index; known after the end."""
        self._stack = ExitStack()
        self._columns = {
            i: tuple(COLUMN_OF[name] for name in physics.channels)
            for i, (_, physics) in enumerate(scenario.units)
            if physics.runs
        }
        self._logs: dict[int, _Log] = {}
        self._times: list[IntArray] = []
        self._shown: list[Mapping[str, FloatArray]] = []
        self._written: Future[None] | None = None

    def __enter__(self) -> Self:
        """Begin all logs."""
        self._thread = self._stack.enter_context(ThreadPoolExecutor(1, thread_name_prefix="logs"))
        self._logs = {
            i: _Log(
                self._folder,
                self._scenario.units[i][0].id,
                columns,
                ARRIVAL if i in self._held else (),
                self._stack,
                text=self._text,
            )
            for i, columns in self._columns.items()
        }
        return self

    def __exit__(self, *_: object) -> None:
        """Wait until all is written, and write what is written at the end."""
        with self._stack:
            self._wait()
            for i, parts in self._held.items():
                if parts:
                    self._deliver(i, parts)

    def _deliver(self, i: int, parts: list[Rows]) -> None:
        """Write the whole log of a unit in order of arrival."""
        found = self._links.delivered(
            i, np.concatenate([part.t_ms for part in parts]), np.concatenate([part.table for part in parts])
        )
        arrival = {"bid": found.bid, "sq": found.sq, "tq": found.tq, "received": found.received_ms}
        self._logs[i].write(Rows(found.t_ms, stamps_of(found.t_ms), found.values, arrival))
        self.delivery[i] = found.told

    @property
    def units(self) -> int:
        """How many units have a log."""
        return len(self._columns)

    @property
    def rows(self) -> int:
        """How many rows were written."""
        return sum(log.rows for log in self._logs.values())

    def take(self, block: Block) -> None:
        """Take what the units' boards read."""
        self.take_read(block.t_ms, self.read(block))

    def read(self, block: Block) -> dict[str, FloatArray]:
        """Return what the units' boards read of a block, by column of the logs."""
        wanted = {column for columns in self._columns.values() for column in columns}
        return {column: read_by(block, column) for column in sorted(wanted)}

    def take_read(self, t_ms: IntArray, shown: Mapping[str, FloatArray]) -> None:
        """Take what was read before; in order of time."""
        self._times.append(t_ms)
        self._shown.append(shown)

    def flush(self) -> None:
        """Have written what was taken."""
        self._wait()
        if self._times:
            times, shown = self._times, self._shown
            self._times, self._shown = [], []
            self._written = self._thread.submit(self._write, times, shown)

    def _wait(self) -> None:
        if self._written is not None:
            self._written.result()
            self._written = None

    def _write(self, times: list[IntArray], parts: list[Mapping[str, FloatArray]]) -> None:
        t_ms: IntArray = np.concatenate(times)
        # column by column in memory: each unit's rows then lie together
        shown = {name: np.concatenate([part[name] for part in parts]).T.copy() for name in parts[0]}
        grids: dict[tuple[int, int], tuple[IntArray, IntArray, list[str]]] = {}
        for i, log in self._logs.items():
            unit, physics = self._scenario.units[i]
            key = (unit.interval_s, physics.phase_s)
            if key not in grids:
                rows = sampled_rows(t_ms, interval_s=key[0], phase_s=key[1], step_s=self._scenario.step_s)
                grids[key] = (rows, t_ms[rows], self._stamps(t_ms[rows]))
            rows, at_ms, stamps = grids[key]
            values = np.stack([shown[column][i][rows] for column in self._columns[i]], axis=1)
            told = ~np.isnan(values).all(axis=1)
            if i in self._held:
                self._held[i].append(Rows(at_ms[told], (), values[told]))
            elif told.all():
                log.write(Rows(at_ms, stamps, values))
            elif told.any():
                log.write(Rows(at_ms[told], self._stamps(at_ms[told]), values[told]))

    def _stamps(self, t_ms: IntArray) -> list[str]:
        return stamps_of(t_ms) if self._text else []


def stamps_of(t_ms: IntArray) -> list[str]:
    """Return times as text: ISO 8601 in UTC, whole seconds."""
    texts: list[str] = np.datetime_as_string(t_ms.astype("M8[ms]"), unit="s", timezone="UTC").tolist()
    return texts

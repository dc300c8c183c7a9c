"""What a subscriber gets of what a unit measured: late, twice, in another order, at wrong times, or never.

The firmware does all this live; here it is worked out for a whole run at once, with the same rules, so that
logs written without a broker are like logs of what arrived.
"""

import zlib
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from firmware_sim.faults import NEVER_MS, Faults
from firmware_sim.firmware.packing import SAMPLES_A_PACK
from firmware_sim.firmware.ring import pages_for, slots_a_page
from firmware_sim.firmware.timekeeping import HOLDOVER, HOLDOVER_AFTER_MS, SYNCHRONISED, UNSET
from firmware_sim.firmware.unit import HOUR_S, TIME_AFTER_MS
from firmware_sim.scenarios.fault_kinds import FaultKind
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.moments import begins_ms
from services.telemetry import FloatArray, IntArray
from services.timebase import HOUR_MS, iso_of

BoolArray = npt.NDArray[np.bool_]

LATENCY_MS = 1_000
"""From measuring to arriving where nothing is in the way. [ms] Judgement."""

PACK_MS = 250
"""Between two packs of a backlog. [ms] Judgement."""

PAUSE_OVER = 1.5
"""So many intervals without a sample: the supply was away, and a new boot began. [1]"""

LATE_PACKS = 2
LATEST_MS = 600_000
"""A late pack is overtaken by so many, and at most so late. [ms] Judgement."""


@dataclass(frozen=True)
class Spell:
    """A stretch of time in which something is wrong with a unit's delivery."""

    kind: str
    label: str
    begins_ms: int
    ends_ms: int
    amount: float = 0.0
    """Share of packs, or what the clock is wrong by [s]."""

    def inside(self, t_ms: IntArray) -> BoolArray:
        """Return which moments lie in it."""
        found: BoolArray = (t_ms >= self.begins_ms) & (t_ms < self.ends_ms)
        return found


@dataclass(frozen=True)
class Link:
    """One unit's memory and way to the broker, with all that goes wrong on it."""

    unit: str
    seed: int
    interval_s: int
    until_ms: int
    """What arrives later is not there yet. [ms]"""
    pack_s: int = 0
    slots: int = 92
    """Samples on a page of its memory."""
    pages: int = 654
    backed_clock: bool = True
    outages: tuple[Spell, ...] = ()
    resets: tuple[Spell, ...] = ()
    """The clock is lost at the beginning of each."""
    steps: tuple[Spell, ...] = ()
    """The network tells a wrong time."""
    spoilt: tuple[Spell, ...] = ()
    """A page of memory goes bad at the beginning of each."""
    doubled: tuple[Spell, ...] = ()
    overtaken: tuple[Spell, ...] = ()
    reboots: tuple[Spell, ...] = ()
    """The board is taken out and put in elsewhere at both ends of each."""

    @property
    def disturbed(self) -> bool:
        """Whether what arrives is not simply what was measured."""
        return any(
            (
                self.outages,
                self.resets,
                self.steps,
                self.spoilt,
                self.doubled,
                self.overtaken,
                self.reboots,
                not self.backed_clock,
            )
        )


@dataclass(frozen=True)
class Delivered:
    """What arrived, in order of arrival; rows."""

    t_ms: IntArray
    """When it was measured, as the service is told. [ms]"""
    values: FloatArray
    """(rows, channels)"""
    received_ms: IntArray
    bid: IntArray
    sq: IntArray
    tq: IntArray
    told: dict[str, Any] = field(default_factory=dict)
    """What went wrong when, and what it did; plain data for the truth file."""


@dataclass
class _Way:
    """Work on the samples of one unit in the order they were measured."""

    link: Link
    t_ms: IntArray
    out: BoolArray
    """Measured where no network reached."""
    bid: IntArray
    sq: IntArray
    sent_ms: IntArray
    pack: IntArray
    lost: BoolArray
    said_ms: IntArray
    tq: IntArray
    mishaps: list[dict[str, Any]] = field(default_factory=list)

    def note(self, spell: Spell, **done: int) -> None:
        """Keep what a spell did, where it touches this stretch of time."""
        whole = spell.begins_ms <= int(self.t_ms[-1]) and spell.ends_ms > int(self.t_ms[0])
        if whole or any(done.values()):
            last = spell.ends_ms if spell.ends_ms <= int(self.t_ms[-1]) else None
            self.mishaps.append(
                {
                    "kind": spell.kind,
                    "label": spell.label,
                    "from": iso_of(spell.begins_ms),
                    "to": None if last is None else iso_of(last),
                    **done,
                }
            )


def delivered(t_ms: IntArray, values: FloatArray, link: Link) -> Delivered:
    """Return what arrives of one unit's samples.

    Parameters
    ----------
    t_ms : (n,) int64
        True times of a whole run's samples, in order. [ms]
    values : (n, channels) float64
        What was measured.
    link : Link
        What is between the unit and whoever listens.

    Returns
    -------
    Delivered
        At most about twice as many rows; what the unit still holds at the end is not among them.
    """
    if not t_ms.size:
        none = np.empty(0, dtype=np.int64)
        return Delivered(none, values, none, none, none, none, {"measured": 0, "mishaps": []})
    way = _begun(t_ms, link)
    _hold_back(way)
    _overwrite(way)
    _spoil(way)
    _date(way)
    return _arrived(way, values)


def _boots(t_ms: IntArray, link: Link) -> IntArray:
    """Return the number of each sample's boot, from 1."""
    new = np.diff(t_ms, prepend=t_ms[0]) > PAUSE_OVER * link.interval_s * 1000
    moments = [spell.begins_ms for spell in link.resets]
    moments += [at for spell in link.reboots for at in (spell.begins_ms, spell.ends_ms)]
    rows = np.searchsorted(t_ms, np.array(moments, dtype=np.int64), side="left")
    new[rows[(rows > 0) & (rows < t_ms.size)]] = True
    bid: IntArray = 1 + np.cumsum(new).astype(np.int64)
    return bid


def _first_of(bid: IntArray) -> IntArray:
    """Return for each sample the row at which its boot began."""
    rows = np.arange(bid.size)
    first: IntArray = np.maximum.accumulate(np.where(np.diff(bid, prepend=bid[0] - 1) > 0, rows, 0))
    return first


def _begun(t_ms: IntArray, link: Link) -> _Way:
    out = np.zeros(t_ms.size, dtype=bool)
    for spell in link.outages:
        out |= spell.inside(t_ms)
    bid = _boots(t_ms, link)
    rows = np.arange(t_ms.size, dtype=np.int64)
    return _Way(
        link=link,
        t_ms=t_ms,
        out=out,
        bid=bid,
        sq=rows - _first_of(bid),
        sent_ms=t_ms.copy(),
        pack=rows.copy(),
        lost=np.zeros(t_ms.size, dtype=bool),
        said_ms=t_ms.copy(),
        tq=np.full(t_ms.size, SYNCHRONISED, dtype=np.int64),
    )


def _hold_back(way: _Way) -> None:
    """Let samples wait for the next contact, and for coverage; a backlog goes in packs, oldest first."""
    link = way.link
    if link.pack_s > 0:
        contact_ms = link.pack_s * 1000
        way.sent_ms = -(-way.t_ms // contact_ms) * contact_ms
    for spell in sorted(link.outages, key=lambda one: one.begins_ms):
        held = spell.inside(way.sent_ms) | (way.out & spell.inside(way.t_ms))
        way.sent_ms = np.where(held, spell.ends_ms, way.sent_ms)
    rows = np.arange(way.t_ms.size)
    begins = np.diff(way.sent_ms, prepend=way.sent_ms[0] - 1) != 0
    batch = np.maximum.accumulate(np.where(begins, rows, 0))
    within = (rows - batch) // SAMPLES_A_PACK
    way.pack = batch + within  # a batch is longer than the number of its packs
    way.sent_ms = way.sent_ms + PACK_MS * within


def _overwrite(way: _Way) -> None:
    """Let the memory run over: while nothing is confirmed, its oldest pages are used again."""
    link = way.link
    for spell in link.outages:
        rows = np.flatnonzero(way.out & spell.inside(way.t_ms))
        lost = 0
        if rows.size:
            oldest = max(0, int(rows[-1]) // link.slots - link.pages + 1) * link.slots
            over = rows[rows < oldest]
            way.lost[over] = True
            lost = int(over.size)
        way.note(spell, held=int(rows.size), lost=lost)


def _spoil(way: _Way) -> None:
    """Let pages go bad in the middle of what is not confirmed; what is confirmed is not missed."""
    for spell in way.link.spoilt:
        written = int(np.searchsorted(way.t_ms, spell.begins_ms, side="left"))
        waiting = np.flatnonzero(way.sent_ms[:written] > spell.begins_ms)
        lost = 0
        if waiting.size:
            page = (int(waiting[0]) + written) // 2 // way.link.slots
            gone = waiting[waiting // way.link.slots == page]
            lost = int((~way.lost[gone]).sum())
            way.lost[gone] = True
        way.note(spell, lost=lost)


def _date(way: _Way) -> None:
    """Work out what each sample says of its time, and how well the unit knows it."""
    link, t_ms = way.link, way.t_ms
    rows, first = np.arange(t_ms.size), _first_of(way.bid)
    wrong_ms = np.zeros(t_ms.size, dtype=np.int64)
    for spell in link.steps:
        wrong_ms += np.where(spell.inside(t_ms), round(1000.0 * spell.amount), 0)
    hears = ~way.out
    lost_from = np.full(t_ms.size, -1)
    for spell in link.resets:
        lost_from[t_ms >= spell.begins_ms] = spell.begins_ms
        hears &= ~((t_ms >= spell.begins_ms) & (t_ms < spell.begins_ms + TIME_AFTER_MS))
    heard = np.maximum.accumulate(np.where(hears, rows, -1))
    in_boot = heard >= first
    known = _known(way, heard, in_boot, lost_from)
    fresh = in_boot & (t_ms - t_ms[np.maximum(heard, 0)] <= HOLDOVER_AFTER_MS)
    error_ms = np.where(known & (heard >= 0), wrong_ms[np.maximum(heard, 0)], 0)
    way.tq = np.where(known, np.where(fresh, SYNCHRONISED, HOLDOVER), UNSET)
    learnt = _learnt(way, hears)
    then = np.minimum(learnt, t_ms.size - 1)
    in_time = (way.sent_ms > t_ms) & (t_ms[then] <= way.sent_ms + 1000 * link.interval_s)
    kept = ~known & (learnt < t_ms.size) & in_time
    error_ms = np.where(kept, wrong_ms[then], error_ms)
    way.tq = np.where(kept, HOLDOVER, way.tq)
    way.said_ms = t_ms + error_ms + np.where(way.tq == UNSET, _pauses_ms(way), 0)
    for spell in link.resets:
        way.note(spell, unset=int((~known & (lost_from == spell.begins_ms)).sum()))
    for spell in link.steps:
        step_ms = round(1000.0 * spell.amount)
        dated = (error_ms == step_ms) & (t_ms >= spell.begins_ms)
        way.note(spell, wrongly_dated=int(dated.sum()), clock_step_s=round(spell.amount))


def _known(way: _Way, heard: IntArray, in_boot: BoolArray, lost_from: IntArray) -> BoolArray:
    """Return where the unit knew the time of day when it measured."""
    if not way.link.backed_clock:
        return in_boot
    since_lost = (heard >= 0) & (way.t_ms[np.maximum(heard, 0)] >= lost_from)
    known: BoolArray = (lost_from < 0) | since_lost
    return known


def _learnt(way: _Way, hears: BoolArray) -> IntArray:
    """Return the row at which a sample's boot learnt the time, or a later one with the same clock."""
    n = way.t_ms.size
    rows = np.where(hears, np.arange(n), n)
    after: IntArray = np.minimum.accumulate(rows[::-1])[::-1]
    if way.link.backed_clock:  # the clock's own counter goes on between boots, until it is lost again
        lost = np.array([spell.begins_ms for spell in way.link.resets], dtype=np.int64)
        life = np.searchsorted(np.sort(lost), way.t_ms, side="right")
    else:
        life = way.bid
    same = life[np.minimum(after, n - 1)] == life
    return np.where((after < n) & same, after, n)


def _pauses_ms(way: _Way) -> IntArray:
    """Return how long the supply was away between each sample and its sending; a unit cannot know."""
    interval_ms = way.link.interval_s * 1000
    pause = np.where(np.diff(way.bid, prepend=way.bid[0]) > 0, np.diff(way.t_ms, prepend=way.t_ms[0]), 0)
    total = np.cumsum(np.maximum(pause - interval_ms, 0))
    at = np.clip(np.searchsorted(way.t_ms, way.sent_ms, side="right") - 1, 0, way.t_ms.size - 1)
    gone: IntArray = total[np.maximum(at, np.arange(at.size))] - total
    return gone


def _shares(spells: tuple[Spell, ...], t_ms: IntArray) -> FloatArray:
    share = np.zeros(t_ms.size)
    for spell in spells:
        share = np.where(spell.inside(t_ms), share + spell.amount, share)
    return share


def _arrived(way: _Way, values: FloatArray) -> Delivered:
    """Put the rows in order of arrival: live samples first, packs late or twice."""
    link, n = way.link, way.t_ms.size
    chance = np.random.default_rng([link.seed, zlib.crc32(link.unit.encode()), 7]).random((2, n))
    received_ms = way.sent_ms + LATENCY_MS
    late = chance[0, way.pack] < _shares(link.overtaken, received_ms)
    received_ms = np.where(late, _overtaken_ms(way, received_ms), received_ms)
    twice = chance[1, way.pack] < _shares(link.doubled, received_ms)
    live, live_ms = _live_first(way)
    rows = np.concatenate([np.arange(n), np.flatnonzero(twice), live])
    when = np.concatenate([received_ms, received_ms[twice] + 1, live_ms])
    arrives = ~way.lost[rows] & (when <= link.until_ms + LATENCY_MS)
    rows, when = rows[arrives], when[arrives]
    order = np.argsort(when, kind="stable")
    rows, when = rows[order], when[order]
    there = np.zeros(n, dtype=bool)
    there[rows] = True
    for spells, hit, name in ((link.doubled, twice, "doubled"), (link.overtaken, late, "overtaken")):
        for spell in spells:
            way.note(spell, **{name: int((hit & there & spell.inside(received_ms)).sum())})
    for spell in link.reboots:
        way.note(spell)
    told = {
        "measured": n,
        "received": int(rows.size),
        "lost": int(way.lost.sum()),
        "still_held": int((~there & ~way.lost).sum()),
        "mishaps": sorted(way.mishaps, key=lambda mishap: str(mishap["from"])),
    }
    return Delivered(way.said_ms[rows], values[rows], when, way.bid[rows], way.sq[rows], way.tq[rows], told)


def _overtaken_ms(way: _Way, received_ms: IntArray) -> IntArray:
    """Return when each row's pack arrives if the next packs come before it."""
    packs, first = np.unique(way.pack, return_index=True)
    last = np.append(first[1:], way.t_ms.size) - 1
    after = np.minimum(np.arange(packs.size) + LATE_PACKS, packs.size - 1)
    then_ms = received_ms[last[after]][np.searchsorted(packs, way.pack)] + 1
    late_ms: IntArray = np.clip(then_ms, received_ms, received_ms + LATEST_MS)
    return late_ms


def _live_first(way: _Way) -> tuple[IntArray, IntArray]:
    """Return the rows sent first of all when coverage comes back, and when; they come again in their turn."""
    rows, when = [], []
    for spell in way.link.outages:
        held = np.flatnonzero(way.out & spell.inside(way.t_ms))
        if held.size > 1:
            rows.append(int(held[-1]))
            when.append(spell.ends_ms + LATENCY_MS - 1)
    return np.array(rows, dtype=np.int64), np.array(when, dtype=np.int64)


class Links:
    """The ways of a scenario's units to whoever listens."""

    def __init__(self, scenario: Scenario, *, anchor_ms: int) -> None:
        """Find what goes wrong, for a history that meets the present at `anchor_ms`."""
        self._links: dict[int, Link] = {}
        spells = _spells(scenario, anchor_ms)
        for i, (unit, physics) in enumerate(scenario.units):
            if physics.runs:
                own = {name: tuple(some) for name, some in spells.get(unit.id, {}).items()}
                self._links[i] = Link(
                    unit=unit.id,
                    seed=scenario.seed,
                    interval_s=unit.interval_s,
                    until_ms=anchor_ms,
                    pack_s=HOUR_S if unit.link.budget_kb_day > 0.0 else 0,
                    slots=slots_a_page(physics.channels),
                    pages=pages_for(physics.channels, physics.memory_samples),
                    backed_clock=physics.backed_clock,
                    **own,
                )

    @property
    def disturbed(self) -> frozenset[int]:
        """Units of which more, less or something else arrives than they measured."""
        return frozenset(i for i, link in self._links.items() if link.disturbed)

    def delivered(self, index: int, t_ms: IntArray, values: FloatArray) -> Delivered:
        """Return what arrives of one unit's samples of a whole run; see `delivered`."""
        return delivered(t_ms, values, self._links[index])


SPELLS_OF: dict[FaultKind, str] = {
    "radio_outage": "outages",
    "flash_corruption": "spoilt",
    "duplicated_delivery": "doubled",
    "reordered_delivery": "overtaken",
    "swapped_identity": "reboots",
}
"""Where each kind of fault is felt; `clock_reset` loses the clock or makes it wrong."""


def _spells(scenario: Scenario, anchor_ms: int) -> dict[str, dict[str, list[Spell]]]:
    """Return what goes wrong with the delivery of each unit, by field of `Link`."""
    found: dict[str, dict[str, list[Spell]]] = {}

    def add(unit: str, name: str, spell: Spell) -> None:
        found.setdefault(unit, {}).setdefault(name, []).append(spell)

    told = Faults(scenario, anchor_ms=anchor_ms).told()
    for fault, one in zip(scenario.faults, told, strict=True):
        amount = next(iter(one.parameters.values()), 0.0)
        spell = Spell(
            one.kind, one.label, one.begins_ms, NEVER_MS if one.ends_ms is None else one.ends_ms, amount
        )
        if fault.kind == "clock_reset":
            add(one.target, "resets" if fault.clock_step_s is None else "steps", spell)
        elif fault.kind in SPELLS_OF:
            add(one.target, SPELLS_OF[fault.kind], spell)
            if one.other is not None:
                add(one.other, SPELLS_OF[fault.kind], spell)
    zones = {site.id: ZoneInfo(site.timezone) for site, _ in scenario.sites}
    for unit, physics in scenario.units:
        for event in physics.event:
            if event.kind == "out_of_coverage":
                start_ms = begins_ms(event, anchor_ms=anchor_ms, zone=zones[unit.site])
                ends_ms = start_ms + round(event.lasts_h * HOUR_MS)
                add(unit.id, "outages", Spell(event.kind, event.kind, start_ms, ends_ms))
    return found

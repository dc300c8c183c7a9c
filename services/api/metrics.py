"""Numbers about the service itself, in the text form of Prometheus."""

from collections.abc import Iterator, Mapping
from itertools import accumulate

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    Metric,
)
from prometheus_client.registry import Collector

from services.api.desk import Desk
from services.domain import Verdict
from services.pulse import Sign
from services.timebase import MINUTE_MS, SECOND_MS

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"
_COUNTED = {
    "received": "Messages taken from the broker",
    "redelivered": "Messages the broker sent again",
    "stored": "Samples stored",
    "duplicates": "Samples that were held already",
    "conflicts": "Samples whose identity was taken by other values",
    "rejected": "Records and packs set aside",
    "waiting": "Packs of units nobody has added",
    "faults": "Failures of the service itself",
    "capped": "Messages held back because their unit sent too many",
    "refused_logins": "Log-ins the broker refused",
}
_SILENT_AFTER_MS = 15 * MINUTE_MS


class _House(Collector):
    """Makes every number anew each time it is asked."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def collect(self) -> Iterator[Metric]:
        """Yield all families."""
        now_ms, signs = self._desk.now_ms(), self._desk.box.signs()
        yield from _parts(signs, now_ms)
        ingest = signs.get("ingest")
        if ingest is not None:
            yield from _ingest(ingest)
        monitor = signs.get("monitor")
        if monitor is not None:
            yield from _monitor(monitor)
        notify = signs.get("notify")
        if notify is not None:
            yield from _notify(notify)
        yield from self._store()
        yield from self._fleet(now_ms)

    def _store(self) -> Iterator[Metric]:
        room = self._desk.box.room()
        yield _gauge("disk_free_bytes", "Room left on the disk that holds the data", room.free_bytes)
        yield _gauge("disk_reserve_bytes", "Room that ingest leaves alone", room.reserve_bytes)
        sizes = GaugeMetricFamily("bushlarder_store_bytes", "Size on the disk", labels=["store"])
        for name, size in self._desk.box.sizes().items():
            sizes.add_metric([name], size)
        yield sizes
        health = self._desk.health()
        yield _gauge("quarantine_rows", "Rejected records and packs kept", health.quarantined)
        yield _gauge("waiting_units", "Unknown units that knock", health.waiting)
        notices = GaugeMetricFamily(
            "bushlarder_notices", "What the house says of itself at the moment", labels=["grave"]
        )
        for grave, words in ((True, "yes"), (False, "no")):
            notices.add_metric([words], sum(each.down == grave for each in health.troubles))
        yield notices

    def _fleet(self, now_ms: int) -> Iterator[Metric]:
        cards = self._desk.cards()
        yield _gauge("units", "Units of the fleet", len(self._desk.fleet().units))
        silent = sum(
            card.observed_at is None
            or now_ms - card.observed_at > max(_SILENT_AFTER_MS, 3 * card.interval_s * SECOND_MS)
            for card in cards
        )
        yield _gauge("units_silent", "Units that have not been heard for three intervals", silent)
        verdicts = GaugeMetricFamily("bushlarder_units_standing", "Units by verdict", labels=["verdict"])
        for verdict in Verdict:
            verdicts.add_metric([verdict.value], sum(card.standing is verdict for card in cards))
        yield verdicts


def _gauge(name: str, words: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"bushlarder_{name}", words, value=value)


def _parts(signs: Mapping[str, Sign], now_ms: int) -> Iterator[Metric]:
    up = GaugeMetricFamily("bushlarder_part_up", "Whether a process shows life", labels=["part"])
    well = GaugeMetricFamily("bushlarder_part_well", "Whether it does what it is for", labels=["part"])
    beat = GaugeMetricFamily("bushlarder_part_beat_seconds", "When it last showed life", labels=["part"])
    for name, sign in signs.items():
        alive = sign.is_fresh(now_ms)
        up.add_metric([name], alive)
        well.add_metric([name], alive and sign.trouble is None)
        beat.add_metric([name], sign.beat_ms / SECOND_MS)
    yield from (up, well, beat)


def _ingest(sign: Sign) -> Iterator[Metric]:
    counted = sign.said.get("counted", {})
    for name, words in _COUNTED.items():
        yield CounterMetricFamily(f"bushlarder_ingest_{name}", words, value=counted.get(name, 0))
    yield _gauge("ingest_queue_messages", "Messages waiting to be stored", sign.said.get("queue", 0))
    yield _gauge(
        "ingest_connected", "Whether ingest is connected to the broker", sign.said.get("connected", 0)
    )
    yield _gauge(
        "ingest_lag_seconds",
        "How long the oldest message of the last batch waited until it was durable",
        sign.said.get("lag_ms", 0) / SECOND_MS,
    )
    classes = list(accumulate(sign.said.get("commits", ())))
    bounds = [*map(str, sign.said.get("commit_bounds_s", ())), "+Inf"]
    if len(classes) == len(bounds):
        yield HistogramMetricFamily(
            "bushlarder_ingest_commit_seconds",
            "Time a durable commit takes",
            buckets=list(zip(bounds, classes, strict=True)),
            sum_value=sign.said.get("commit_sum_s", 0.0),
        )


def _monitor(sign: Sign) -> Iterator[Metric]:
    counted = (
        ("judged", "Assessments, carried ones included"),
        ("carried", "Assessments carried on by live samples, without a look at everything"),
        ("failed", "Units that could not be judged"),
    )
    for name, words in counted:
        yield CounterMetricFamily(f"bushlarder_monitor_{name}", words, value=sign.said.get(name, 0))
    yield _gauge("monitor_changes_behind", "Changes read and not judged yet", sign.said.get("behind", 0))
    yield _gauge("monitor_step_seconds", "Time the last step took", sign.said.get("step_s", 0.0))


def _notify(sign: Sign) -> Iterator[Metric]:
    counted = (
        ("told", "Messages written into the outbox"),
        ("sent", "Messages that whoever passes them on has taken"),
        ("failed", "Tries that failed"),
        ("given_up", "Messages that were not delivered"),
    )
    for name, words in counted:
        yield CounterMetricFamily(f"bushlarder_notify_{name}", words, value=sign.said.get(name, 0))
    yield _gauge("notify_waiting", "Messages that wait in the outbox", sign.said.get("waiting", 0))


def exposition(desk: Desk) -> bytes:
    """Return everything there is to count, as Prometheus reads it."""
    registry = CollectorRegistry()
    registry.register(_House(desk))
    return generate_latest(registry)

"""Making the bucket of an InfluxDB, how long it keeps samples, and the hourly roll-up that outlives them."""

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.domain.bucket_retention_rules import BucketRetentionRules
from influxdb_client.domain.dbrp_create import DBRPCreate
from influxdb_client.rest import ApiException
from influxdb_client.service.dbr_ps_service import DBRPsService

from services.store.influx_points import FIELD_OF, MEASUREMENT
from services.store.influx_server import InfluxServer
from services.telemetry import BOOLEAN_COLUMNS, NUMERIC_COLUMNS
from services.timebase import DAY_MS

HOURLY = "hourly"
"""Name of the roll-up: a retention policy on 1.x, a bucket with this ending on 2.x."""
LATE_DAYS = 14
"""How late samples may come and still be rolled up."""
_DAY_S = DAY_MS // 1000


def set_up(server: InfluxServer, *, keep_days: int | None) -> list[str]:
    """Make what is missing, change what is other than wanted; return what now holds, in sentences.

    Raises
    ------
    DependencyUnavailable
        If the server does not answer or (`InfluxRefused`) will not let us.
    """
    version = server.version()
    done = _set_up_1(server, keep_days) if version.startswith("1.") else _set_up_2(server, keep_days)
    return [f"InfluxDB {version} answers", *done]


def _named(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _set_up_1(server: InfluxServer, keep_days: int | None) -> list[str]:
    database = server.access.bucket
    name, duration = _named(database), "INF" if keep_days is None else f"{keep_days}d"
    for statement in (
        f"CREATE DATABASE {name}",
        f"ALTER RETENTION POLICY autogen ON {name} DURATION {duration} SHARD DURATION 7d DEFAULT",
        f"CREATE RETENTION POLICY {HOURLY} ON {name} DURATION INF REPLICATION 1 SHARD DURATION 52w",
        f"DROP CONTINUOUS QUERY {HOURLY} ON {name}",
        (
            f"CREATE CONTINUOUS QUERY {HOURLY} ON {name} RESAMPLE EVERY 6h FOR {LATE_DAYS}d"
            f" BEGIN {roll_up(database)} END"
        ),
    ):
        server.command(statement)
    return [
        f"database {database} keeps samples {_for_how_long(keep_days)}",
        f"every six hours the last {LATE_DAYS} days are rolled up by the hour into {database}.{HOURLY}",
    ]


def roll_up(database: str) -> str:
    """Return the InfluxQL statement that rolls samples up: per hour the lowest, mean and highest."""
    parts = ['count("sq") AS "samples"']
    for column in NUMERIC_COLUMNS:
        field = FIELD_OF[column]
        parts += [f'{how}("{field}") AS "{field}_{how}"' for how in ("min", "mean", "max")]
    parts += [f'mean("{FIELD_OF[column]}") AS "{FIELD_OF[column]}_share"' for column in BOOLEAN_COLUMNS]
    target = f"{_named(database)}.{HOURLY}.{MEASUREMENT}"
    source = f"{_named(database)}.autogen.{MEASUREMENT}"
    return f"SELECT {', '.join(parts)} INTO {target} FROM {source} GROUP BY time(1h), unit"  # noqa: S608 - own names


def _set_up_2(server: InfluxServer, keep_days: int | None) -> list[str]:
    """Make buckets, the mapping InfluxQL needs, and the task that rolls up.

    Written from the published API, never run against such a server here.
    """
    client, access = server.client, server.access
    _bucket(client, access.org, access.bucket, 0 if keep_days is None else keep_days * _DAY_S)
    _bucket(client, access.org, f"{access.bucket}_{HOURLY}", 0)
    tasks, name = client.tasks_api(), f"{access.bucket}_{HOURLY}"
    for task in tasks.find_tasks(name=name):
        tasks.delete_task(task.id)
    organisation = client.organizations_api().find_organizations(org=access.org)[0]
    tasks.create_task_every(name, flux_roll_up(access.bucket), "6h", organisation)
    return [
        f"bucket {access.bucket} keeps samples {_for_how_long(keep_days)}",
        f"every six hours the last {LATE_DAYS} days are rolled up by the hour into {name}",
    ]


def _bucket(client: InfluxDBClient, org: str, name: str, keep_s: int) -> None:
    buckets = client.buckets_api()
    rules = [BucketRetentionRules(type="expire", every_seconds=keep_s)]
    there = buckets.find_bucket_by_name(name)
    if there is None:
        there = buckets.create_bucket(bucket_name=name, retention_rules=rules, org=org)
    else:
        there.retention_rules = rules
        buckets.update_bucket(there)
    mapping = DBRPCreate(bucket_id=there.id, database=name, retention_policy="autogen", default=True, org=org)
    try:
        DBRPsService(client.api_client).post_dbrp(dbrp_create=mapping)
    except ApiException as error:
        if "exist" not in str(error.body):
            raise


def flux_roll_up(bucket: str) -> str:
    """Return the Flux of the roll-up: per hour the lowest, mean and highest of every number."""
    numbers = "|".join(FIELD_OF[column] for column in (*NUMERIC_COLUMNS, *BOOLEAN_COLUMNS))
    lines = [
        f'samples = from(bucket: "{bucket}")',
        f"    |> range(start: -{LATE_DAYS}d)",
        f'    |> filter(fn: (r) => r._measurement == "{MEASUREMENT}" and r._field =~ /^({numbers})$/)',
    ]
    for how in ("min", "mean", "max"):
        lines += [
            "samples",
            f"    |> aggregateWindow(every: 1h, fn: {how}, createEmpty: false)",
            '    |> map(fn: (r) => ({r with _value: float(v: r._value), _field: r._field + "_' + how + '"}))',
            f'    |> to(bucket: "{bucket}_{HOURLY}")',
        ]
    return "\n".join(lines)


def _for_how_long(keep_days: int | None) -> str:
    return "for ever" if keep_days is None else f"for {keep_days} days"

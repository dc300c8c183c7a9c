"""Making the bucket of an InfluxDB, how long it keeps samples, and the hourly roll-up that outlives them."""

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.domain.bucket_retention_rules import BucketRetentionRules
from influxdb_client.domain.dbrp_create import DBRPCreate
from influxdb_client.rest import ApiException
from influxdb_client.service.dbr_ps_service import DBRPsService

from services.store.influx_bins import ROLLED_UP, hourly_of, named, roll_up
from services.store.influx_points import FIELD_OF, MEASUREMENT
from services.store.influx_server import InfluxServer
from services.timebase import DAY_MS

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


def _set_up_1(server: InfluxServer, keep_days: int | None) -> list[str]:
    database = server.access.bucket
    name, hourly = named(database), named(hourly_of(database))
    duration = "INF" if keep_days is None else f"{keep_days}d"
    for statement in (
        f"CREATE DATABASE {name}",
        f"ALTER RETENTION POLICY autogen ON {name} DURATION {duration} SHARD DURATION 7d DEFAULT",
        f"CREATE DATABASE {hourly}",
        f"ALTER RETENTION POLICY autogen ON {hourly} DURATION INF SHARD DURATION 52w DEFAULT",
        f"DROP CONTINUOUS QUERY hourly ON {name}",
        (
            f"CREATE CONTINUOUS QUERY hourly ON {name} RESAMPLE EVERY 6h FOR {LATE_DAYS}d"
            f" BEGIN {continuous_query(database)} END"
        ),
    ):
        server.command(statement)
    return [
        f"database {database} keeps samples {_for_how_long(keep_days)}",
        f"every six hours the last {LATE_DAYS} days are rolled up by the hour into {hourly_of(database)}",
    ]


def continuous_query(database: str) -> str:
    """Return the InfluxQL statement that rolls samples up by the hour."""
    source, target = named(database), named(hourly_of(database))
    return (
        f"SELECT {roll_up(ROLLED_UP)} INTO {target}.autogen.{MEASUREMENT}"  # noqa: S608 - names are escaped
        f" FROM {source}.autogen.{MEASUREMENT} GROUP BY time(1h), unit"
    )


def _set_up_2(server: InfluxServer, keep_days: int | None) -> list[str]:
    """Make buckets, the mapping InfluxQL needs, and the task that rolls up.

    Written from the published API, never run against such a server here.
    """
    client, access = server.client, server.access
    _bucket(client, access.org, access.bucket, 0 if keep_days is None else keep_days * _DAY_S)
    _bucket(client, access.org, hourly_of(access.bucket), 0)
    tasks, name = client.tasks_api(), hourly_of(access.bucket)
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
    numbers = "|".join(FIELD_OF[column] for column in ROLLED_UP)
    lines = [
        f'samples = from(bucket: "{bucket}")',
        f"    |> range(start: -{LATE_DAYS}d)",
        f'    |> filter(fn: (r) => r._measurement == "{MEASUREMENT}" and r._field =~ /^({numbers})$/)',
    ]
    for how in ("min", "max", "mean", "count"):
        lines += [
            "samples",
            f"    |> aggregateWindow(every: 1h, fn: {how}, createEmpty: false)",
            '    |> map(fn: (r) => ({r with _value: float(v: r._value), _field: r._field + "_' + how + '"}))',
            f'    |> to(bucket: "{hourly_of(bucket)}")',
        ]
    return "\n".join(lines)


def _for_how_long(keep_days: int | None) -> str:
    return "for ever" if keep_days is None else f"for {keep_days} days"

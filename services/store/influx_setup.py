"""Making the buckets of an InfluxDB: one for samples, kept as long as wanted, one for the hourly roll-up."""

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.domain.bucket_retention_rules import BucketRetentionRules
from influxdb_client.domain.dbrp_create import DBRPCreate
from influxdb_client.rest import ApiException
from influxdb_client.service.dbr_ps_service import DBRPsService

from services.store.influx_bins import hourly_of, named
from services.store.influx_server import InfluxServer
from services.timebase import DAY_MS

_DAY_S = DAY_MS // 1000


def set_up(server: InfluxServer, *, keep_days: int | None) -> list[str]:
    """Make what is missing, change what is other than wanted; return what now holds, in sentences.

    Raises
    ------
    DependencyUnavailable
        If the server does not answer or (`InfluxRefused`) will not let us.
    """
    version, bucket = server.version(), server.access.bucket
    make = _database if version.startswith("1.") else _bucket
    make(server, bucket, keep_days)
    make(server, hourly_of(bucket), None)
    kept = "for ever" if keep_days is None else f"for {keep_days} days"
    return [
        f"InfluxDB {version} answers",
        f"{bucket} keeps samples {kept}",
        f"{hourly_of(bucket)} keeps the hourly roll-up, which ingest brings up to date, for ever",
    ]


def _database(server: InfluxServer, name: str, keep_days: int | None) -> None:
    duration = "INF" if keep_days is None else f"{keep_days}d"
    shards = "7d" if name == server.access.bucket else "52w"
    server.command(f"CREATE DATABASE {named(name)}")
    server.command(
        f"ALTER RETENTION POLICY autogen ON {named(name)} DURATION {duration} SHARD DURATION {shards} DEFAULT"
    )


def _bucket(server: InfluxServer, name: str, keep_days: int | None) -> None:
    """Make a bucket of 2.x and the mapping that InfluxQL needs.

    Written from the client library's description; never run against such a server here.
    """
    client: InfluxDBClient = server.client
    buckets, org = client.buckets_api(), server.access.org
    rules = [BucketRetentionRules(type="expire", every_seconds=(keep_days or 0) * _DAY_S)]
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

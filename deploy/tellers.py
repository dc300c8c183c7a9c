"""Puts together who tells: the records, the words in every language, and which service is due where."""

from collections.abc import Collection, Sequence

from dashboards.duelist import before_leaving
from dashboards.messagewords import MessageWords
from deploy.stores import open_reader
from deploy.wiring import box_of
from services.api.desk import Desk
from services.clock import now_ms
from services.notify.telling import Telling
from services.records.facade import Records
from services.settings import Settings


def telling_of(settings: Settings, records: Records) -> Telling:
    """Return what writes messages into the outbox."""

    def due(sites: Collection[str]) -> Sequence[str]:
        with open_reader(settings) as reader:
            return before_leaving(Desk(records, reader, now_ms, box_of(settings)), sites)

    return Telling(records, MessageWords(due), public_url=settings.public_url)

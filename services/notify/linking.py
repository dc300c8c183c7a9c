"""Links that answer a notice: made as a message goes out, so that none that works is kept anywhere."""

from typing import Protocol

from services.domain import Message
from services.domain.telling import LINK, ReachLink
from services.records.secretwords import new_word
from services.timebase import DAY_MS

LINK_LIFE_MS = 2 * DAY_MS
"""How long a link answers (judgement): longer than mail is late, shorter than a mailbox lasts."""
_PATH = "/t/"
_SECRET_LENGTH = 22


class Links(Protocol):
    """What making links needs of the records; the facade is the real one."""

    def put_links(self, links: list[tuple[str, ReachLink]], *, now_ms: int) -> None:
        """Keep links, each with its secret, of which only a digest is kept."""


def length_at(base: str | None) -> int:
    """Return how long a link will be; 0 where no public address is set, for then there are none."""
    return 0 if base is None else len(base.rstrip("/")) + len(_PATH) + _SECRET_LENGTH


def with_link(message: Message, links: Links, *, base: str | None, now_ms: int) -> Message:
    """Return a message as it goes out: where a link belongs, one of its own."""
    if LINK not in message.body:
        return message
    if base is None or message.person is None or message.notice is None:
        return message.model_copy(update={"body": message.body.replace(LINK, "").rstrip()})
    secret = new_word()
    link = ReachLink(
        notice=message.notice,
        person=message.person,
        language=str(message.data.get("language", "en")),
        expires_ms=now_ms + LINK_LIFE_MS,
        used_ms=None,
    )
    links.put_links([(secret, link)], now_ms=now_ms)
    return message.model_copy(
        update={"body": message.body.replace(LINK, f"{base.rstrip('/')}{_PATH}{secret}")}
    )

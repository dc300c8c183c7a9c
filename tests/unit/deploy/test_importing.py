import numpy as np
import pytest

from deploy.importing import import_series
from services.clock import now_ms
from services.errors import ConfigurationError
from services.store.sqlite import SqliteStore
from services.telemetry import Series
from services.timebase import HOUR_MS, MINUTE_MS


def test_rows_dated_after_now_are_not_brought_in(tmp_path):
    store = SqliteStore(tmp_path / "telemetry.db")
    ahead = now_ms() + HOUR_MS + np.arange(3, dtype=np.int64) * MINUTE_MS
    try:
        with pytest.raises(ConfigurationError, match="3 rows lie after now"):
            import_series(store, "v3-meat", Series(ahead, {"cabinet_c": np.full(3, 2.0)}))
        assert store.span_of("v3-meat") is None
        past = ahead - 2 * HOUR_MS
        assert import_series(store, "v3-meat", Series(past, {"cabinet_c": np.full(3, 2.0)})).stored == 3
    finally:
        store.close()

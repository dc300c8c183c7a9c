"""Which PINs may be chosen."""

import pytest

from services.api.pins import require_fit_pin
from services.errors import Refused


@pytest.mark.parametrize("pin", ["2580", "194611", "000000123"])
def test_a_pin_has_four_digits_or_more(pin):
    require_fit_pin(pin)


@pytest.mark.parametrize("pin", ["", "123", "12a4", "1234567890123", "٣٤٥٦٧"])
def test_what_is_no_pin_is_refused(pin):
    with pytest.raises(Refused):
        require_fit_pin(pin)


@pytest.mark.parametrize("pin", ["1111", "1212", "1234", "9876", "0123456789"])
def test_what_is_guessed_first_is_refused(pin):
    with pytest.raises(Refused, match="guessed"):
        require_fit_pin(pin)

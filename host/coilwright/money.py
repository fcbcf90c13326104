"""Amounts of money, exact: fractions inside, rounded to the currency's decimals only to be shown.

Currencies are named by their ISO 4217 codes (list one, from memory).
"""

from __future__ import annotations

import math
import re
from decimal import Decimal, InvalidOperation
from fractions import Fraction

NONE = "XXX"
"""ISO 4217: no currency. Amounts are then shown as bare numbers."""

_CODES = """
AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BGN BHD BIF BMD BND BOB BRL BSD BTN BWP BYN BZD CAD
CDF CHF CLP CNY COP CRC CUP CVE CZK DJF DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GNF
GTQ GYD HKD HNL HTG HUF IDR ILS INR IQD IRR ISK JMD JOD JPY KES KGS KHR KMF KPW KRW KWD KYD KZT LAK
LBP LKR LRD LSL LYD MAD MDL MGA MKD MMK MNT MOP MRU MUR MVR MWK MXN MYR MZN NAD NGN NIO NOK NPR NZD
OMR PAB PEN PGK PHP PKR PLN PYG QAR RON RSD RUB RWF SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN
SVC SYP SZL THB TJS TMT TND TOP TRY TTD TWD TZS UAH UGX USD UYU UZS VED VES VND VUV WST XAF XCD XOF
XPF YER ZAR ZMW ZWG
"""

_WITHOUT_COINS = "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX VND VUV XAF XOF XPF"

_IN_THOUSANDTHS = "BHD IQD JOD KWD LYD OMR TND"

_SIGNS = {"EUR": "€", "GBP": "£", "JPY": "¥", "USD": "$"}

_AMOUNT = re.compile(r"(?:([A-Za-z]{3})\s*)?([+-]?[\d.]+)(?:\s*([A-Za-z]{3}))?")


def parse_amount(text: str) -> tuple[Fraction, str]:
    """An amount and the code of its currency, empty where none is written.

    `2.49`, `EUR 2.49` and `2.49 EUR` are read; thousands are not separated.

    Raises:
        ValueError: Not an amount, negative, or no currency.
    """
    found = _AMOUNT.fullmatch(text.strip())
    if found is None or (found[1] and found[3]):
        raise ValueError(f"{text!r} is not an amount of money; write 2.49 or 2.49 EUR")
    amount = parse_exact(found[2])
    code = (found[1] or found[3] or "").upper()
    return amount, check_currency(code) if code else ""


def parse_exact(text: str) -> Fraction:
    """A plain decimal number, not negative, exactly.

    Raises:
        ValueError: Not such a number.
    """
    try:
        value = Decimal(text.strip())
    except InvalidOperation:
        raise ValueError(f"{text!r} is not a number") from None
    if not value.is_finite() or value < 0:
        raise ValueError(f"{text!r} is not a number from 0 up")
    if value.adjusted() > 12 or value.as_tuple().exponent < -12:  # type: ignore[operator]
        raise ValueError(f"{text!r} has more digits than money has")
    return Fraction(value)


def check_currency(code: str) -> str:
    """The code in capitals.

    Raises:
        ValueError: Not an ISO 4217 code.
    """
    if code.upper() not in _CODES.split():
        raise ValueError(f"{code!r} is no currency of ISO 4217; write for instance EUR or GBP")
    return code.upper()


def decimals(currency: str) -> int:
    """Digits of the currency's smallest coin after the point."""
    if currency in _WITHOUT_COINS:
        return 0
    return 3 if currency in _IN_THOUSANDTHS else 2


def rounded(amount: Fraction, currency: str) -> Decimal:
    """The amount in whole coins; half a coin goes up."""
    places = decimals(currency)
    return Decimal(math.floor(amount * 10**places + Fraction(1, 2))).scaleb(-places)


def show_amount(amount: Fraction, currency: str) -> str:
    """The amount for people: "€2.49", "CHF 2.49", or "2.49" without a currency."""
    number = f"{rounded(amount, currency):,.{decimals(currency)}f}"
    if currency == NONE:
        return number
    sign = _SIGNS.get(currency, f"{currency}\N{NO-BREAK SPACE}")
    # The minus stands before the sign.
    return f"-{sign}{number[1:]}" if number.startswith("-") else sign + number

"""Money: Decimal, rounded to the minor unit of its currency."""

from decimal import ROUND_HALF_UP, Decimal

#: Currencies whose minor unit is not a hundredth (ISO 4217).
_EXPONENT = {
    "BIF": 0,
    "CLP": 0,
    "DJF": 0,
    "GNF": 0,
    "ISK": 0,
    "JPY": 0,
    "KMF": 0,
    "KRW": 0,
    "PYG": 0,
    "RWF": 0,
    "UGX": 0,
    "UYI": 0,
    "VND": 0,
    "VUV": 0,
    "XAF": 0,
    "XOF": 0,
    "XPF": 0,
    "BHD": 3,
    "IQD": 3,
    "JOD": 3,
    "KWD": 3,
    "LYD": 3,
    "OMR": 3,
    "TND": 3,
}


def minor_unit(currency: str) -> Decimal:
    """Smallest amount of a currency, e.g. 0.01."""
    return Decimal(1).scaleb(-_EXPONENT.get(currency, 2))


def to_money(amount: float | Decimal, currency: str) -> Decimal:
    """Amount rounded half up to the currency's minor unit."""
    return Decimal(amount).quantize(minor_unit(currency), ROUND_HALF_UP)

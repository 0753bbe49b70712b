"""Numbers as people write them: decimal commas, thousands separators, odd minus signs."""

from __future__ import annotations

import math
import re
import unicodedata

__all__ = ["number"]


def number(text: str, *, decimal_comma: bool | None = None) -> float | None:
    """Read one number as people write it, or None where the text is not a number.

    Parameters
    ----------
    text : str
        Such as ``"212.5"``, ``"1 234,5"``, ``".350"`` or ``"−3"``.
    decimal_comma : bool, optional
        Whether the comma is the decimal mark. None: decided from this text alone,
        where ``"1,234"`` (three digits behind one comma) is not decidable and gives None.

    Returns
    -------
    float or None

    Examples
    --------
    >>> number("1.234,5"), number("0,350", decimal_comma=True), number("n/a")
    (1234.5, 0.35, None)
    """
    text = unicodedata.normalize("NFKC", text).replace("−", "-").replace("–", "-")
    text = re.sub(r"(?<=\d)[\s'’](?=\d{3}(\D|$))", "", text.strip())
    if not re.fullmatch(r"[-+]?(?:\d[\d.,]*|[.,]\d+)(?:[eE][-+]?\d+)?", text):
        return None
    mantissa, *exponent = re.split(r"[eE]", text)
    plain = _plain_decimal(mantissa, decimal_comma)
    if plain is None:
        return None
    value = float(plain + ("e" + exponent[0] if exponent else ""))
    return value if math.isfinite(value) else None


def _plain_decimal(text: str, decimal_comma: bool | None) -> str | None:
    """Turn a mantissa with dots and commas into one with a decimal dot, or None if doubtful."""
    grouped = {True: r"[-+]?[1-9]\d{0,2}(\.\d{3})+(,\d*)?", False: r"[-+]?[1-9]\d{0,2}(,\d{3})+(\.\d*)?"}
    plain = {True: r"[-+]?\d*,?\d*", False: r"[-+]?\d*\.?\d*"}
    marks = {True: (".", ","), False: (",", ".")}
    if decimal_comma is None:
        # A comma or dot alone before exactly three digits may be either mark.
        if "," in text and "." in text:
            decimal_comma = text.rfind(",") > text.rfind(".")
        elif "," in text:
            lead, _, tail = text.rpartition(",")
            if "," in lead:
                decimal_comma = False
            elif len(tail) == 3 and lead.lstrip("+-") not in ("", "0"):
                return None
            else:
                decimal_comma = True
        else:
            decimal_comma = text.count(".") > 1
    if re.fullmatch(plain[decimal_comma], text) or re.fullmatch(grouped[decimal_comma], text):
        group, decimal = marks[decimal_comma]
        return text.replace(group, "").replace(decimal, ".")
    return None

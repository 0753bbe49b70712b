"""Findings of one station joined to those of the stations before it."""

from __future__ import annotations

from collections.abc import Iterable

from flowkit.model import Finding

__all__ = ["joined"]


def joined(earlier: Iterable[Finding], later: Iterable[Finding]) -> tuple[Finding, ...]:
    """Join findings, saying once what a later station says again in other words.

    Parameters
    ----------
    earlier : iterable of Finding
        Of the stations before.
    later : iterable of Finding
        Of this one; a finding of the same rule, severity and place as an earlier one is dropped.

    Returns
    -------
    tuple of Finding
        In their order, each once.

    Examples
    --------
    >>> first = Finding("check-off", "error", "a", "off by 12 %")
    >>> len(joined([first], [Finding("check-off", "error", "a", "12 % off, not corrected")]))
    1
    """
    known = list(earlier)
    said = {(finding.rule, finding.severity, finding.where) for finding in known}
    new = [finding for finding in later if (finding.rule, finding.severity, finding.where) not in said]
    return tuple(dict.fromkeys([*known, *new]))

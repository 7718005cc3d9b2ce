"""Numbers that stand for a person: recognised by their check digits, by a maintained library.

The rules of each number (length, alphabet, check digits) come from the library `python-stdnum`, which names their
sources; nothing is looked up anywhere.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache
from importlib import import_module
from typing import Any

KINDS_OF_NUMBERS: dict[str, str] = {
    "de.idnr": "German tax numbers",
    "at.vnr": "Austrian social insurance numbers",
    "ch.ssn": "Swiss social insurance numbers",
    "fr.nir": "French social security numbers",
    "fr.nif": "French tax numbers",
    "es.dni": "Spanish identity numbers",
    "es.nie": "Spanish identity numbers of foreigners",
    "it.codicefiscale": "Italian tax codes",
    "nl.bsn": "Dutch citizen numbers",
    "be.nn": "Belgian national numbers",
    "pt.nif": "Portuguese tax numbers",
    "pt.cc": "Portuguese citizen cards",
    "pl.pesel": "Polish national numbers",
    "se.personnummer": "Swedish personal numbers",
    "dk.cpr": "Danish personal numbers",
    "fi.hetu": "Finnish personal codes",
    "no.fodselsnummer": "Norwegian birth numbers",
    "cz.rc": "Czech birth numbers",
    "ie.pps": "Irish public service numbers",
    "gb.nhs": "numbers of the British health service",
    "us.ssn": "US social security numbers",
    "us.itin": "US taxpayer numbers",
    "ca.sin": "Canadian social insurance numbers",
    "au.tfn": "Australian tax numbers",
    "br.cpf": "Brazilian personal numbers",
    "iban": "bank account numbers",
    "luhn": "card or insurance numbers with a check digit",
}
_CANDIDATE = re.compile(r"[0-9A-Za-z][0-9A-Za-z .\-/+]{5,32}[0-9A-Za-z]")
_MOST, _SHARE, _FEWEST = 200, 0.8, 3
_LETTER_OF_ACCOUNTS, _LETTER = "J", "G"


def numbers_of_persons(texts: Sequence[str]) -> tuple[str, str] | None:
    """What numbers a column holds, by their check digits: (paragraph letter of 45 CFR 164.514(b)(2)(i), name).

    Parameters
    ----------
    texts : sequence of str
        The column's distinct values; at least three are needed, for one number in ten or so fits by chance.

    Examples
    --------
    >>> numbers_of_persons(["943 476 5919", "401 023 2137", "943 476 5870"])  # examples of the numbers' own guide
    ('G', 'numbers of the British health service')
    >>> numbers_of_persons(["34", "35.5", "36"])
    """
    whole = [text for text in texts[:_MOST] if _CANDIDATE.fullmatch(text) and sum(map(str.isdigit, text)) >= 6]
    if len(whole) < max(_FEWEST, _SHARE * min(len(texts), _MOST)):
        return None
    for module, name in KINDS_OF_NUMBERS.items():
        check = _check(module)
        if sum(bool(check.is_valid(text)) for text in whole) >= _SHARE * min(len(texts), _MOST):
            return (_LETTER_OF_ACCOUNTS if module == "iban" else _LETTER), name
    return None


@cache
def _check(module: str) -> Any:
    return import_module(f"stdnum.{module}")

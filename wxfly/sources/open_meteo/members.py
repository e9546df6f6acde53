"""The members of one model at one place as one array: a reply of the ensemble service, folded, packed and read.

A reply has a separate list for every member of every quantity, and these lists take most of the time to read it.
Folded, they are one array, from which the same cube is made.
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.sources.open_meteo.reply import UNDEFINED
from wxfly.sources.reply import SourceError

Array = npt.NDArray[np.float64]

_OF_PLACE = ("latitude", "longitude", "elevation", "utc_offset_seconds")
_MOST_DIGITS = 4
_MISSING = np.iinfo(np.int32).min
_LARGEST = float(np.iinfo(np.int32).max)


@dataclass(frozen=True, eq=False)
class MembersAtPlace:
    """The values of one model at one place, from a reply.

    Attributes
    ----------
    head : mapping
        The place, its hours and the units of the names, unchanged.
    names : tuple of str
        Names of the service, without member and model.
    members : tuple of int
        Numbers of the members; 0 is the control.
    values : ndarray, shape (names, members, hours)
        Values in the units of the reply; NaN for null and for a missing column.
    """

    head: Mapping[str, Any]
    names: tuple[str, ...]
    members: tuple[int, ...]
    values: Array

    @classmethod
    def fold(
        cls, place: Mapping[str, Any], keys: Mapping[int, Mapping[str, str]], members: tuple[int, ...], what: str
    ) -> MembersAtPlace:
        """Fold the columns of a place.

        Parameters
        ----------
        place : mapping
            The document of one place.
        keys : mapping
            ``{member: {name: key of its column}}``.
        members : tuple of int
            All members of the reply; one that this place lacks has no values.
        what : str
            Source and place, for errors.

        Raises
        ------
        SourceError
            When a column does not have the length of the hours or has a value that is not a number, or when the
            members of a name have several units.
        """
        columns, units = place["hourly"], place["hourly_units"]
        hours = columns.get("time")
        if not isinstance(hours, list) or not hours:
            raise SourceError(f"{what}: there are no hours in it")
        names = tuple(dict.fromkeys(name for member in members for name in keys.get(member, {})))
        values = np.full((len(names), len(members), len(hours)), np.nan)
        for row, name in enumerate(names):
            for position, member in enumerate(members):
                key = keys.get(member, {}).get(name)
                if key is not None:
                    values[row, position] = _column(columns[key], units.get(key), len(hours), f"{what}: {key}")
        head = {key: place.get(key) for key in _OF_PLACE} | {
            "time": hours, "time_unit": units.get("time"),
            "units": {name: _unit(name, keys, units, what) for name in names},
        }  # fmt: skip
        return cls(head, names, members, values)

    def document(self) -> dict[str, Any]:
        """Return the place as input of `wxfly.sources.open_meteo.reply.parse_places`, columns by hour and member."""
        hourly: dict[str, Any] = {"time": self.head["time"]}
        hourly |= {name: values.T for name, values in zip(self.names, self.values, strict=True)}
        units = {"time": self.head["time_unit"], **self.head["units"]}
        return {key: self.head[key] for key in _OF_PLACE} | {"hourly": hourly, "hourly_units": units}

    def pack(self) -> bytes:
        """Return the bytes of an ``.npz`` file, in which values with few decimals are exact whole numbers."""
        digits = [_digits(values) for values in self.values]
        values: npt.NDArray[Any] = self.values
        if None not in digits:
            scaled = np.rint(self.values * 10.0 ** np.array(digits, dtype=float)[:, None, None])
            whole = np.where(np.isnan(scaled), _MISSING, scaled).astype(np.int32)
            values = np.diff(whole, axis=-1, prepend=np.int32(0))  # hourly differences compress to half the size
        head = {**self.head, "names": self.names, "members": self.members, "digits": digits}
        buffer = io.BytesIO()
        np.savez(buffer, head=np.frombuffer(json.dumps(head).encode(), dtype=np.uint8), values=values)
        return buffer.getvalue()

    @classmethod
    def unpack(cls, body: bytes, what: str) -> MembersAtPlace:
        """Read what `pack` wrote.

        Raises
        ------
        SourceError
            When it has another form.
        """
        try:
            with np.load(io.BytesIO(body), allow_pickle=False) as packed:
                head, coded = json.loads(packed["head"].tobytes()), packed["values"]
            names, members = tuple(head.pop("names")), tuple(head.pop("members"))
            digits = head.pop("digits")
            if coded.shape != (len(names), len(members), len(head["time"])):
                raise ValueError("shape")
            if coded.dtype == np.int32:
                whole = np.cumsum(coded, axis=-1, dtype=np.int32)
                scale = 10.0 ** np.array(digits, dtype=float)[:, None, None]
                values = np.where(whole == _MISSING, np.nan, whole / scale)
            else:
                values = coded.astype(float)
            complete = {*_OF_PLACE, "time_unit", "units"} <= set(head) and set(names) == set(head["units"])
        except (ValueError, KeyError, TypeError, AttributeError, EOFError, zipfile.BadZipFile):
            complete = False
        if not complete:
            raise SourceError(f"{what}: the members are not in a form that this wxfly reads")
        return cls(head, names, members, values)


def _column(values: Any, unit: Any, hours: int, what: str) -> Array:
    if not isinstance(values, list) or len(values) != hours:
        length = len(values) if isinstance(values, list) else "no list"
        raise SourceError(f"{what} has {length} values for {hours} hours")
    if not set(map(type, values)) <= {int, float, type(None)}:
        raise SourceError(f"{what} holds something that is not a number")
    if unit == UNDEFINED and any(v is not None for v in values):
        raise SourceError(f"{what} has values and no unit")
    try:
        return np.array(values, dtype=float)
    except OverflowError:
        raise SourceError(f"{what} holds a number beyond all measure") from None


def _unit(name: str, keys: Mapping[int, Mapping[str, str]], units: Mapping[str, Any], what: str) -> Any:
    """Return the one unit of all members; a member without any value may be without a unit."""
    came = [units.get(columns[name]) for columns in keys.values() if name in columns]
    others = [unit for unit in came if unit != UNDEFINED]
    if any(unit != others[0] for unit in others):
        written = ", ".join(dict.fromkeys(f"'{str(unit)[:20]}'" for unit in others))
        raise SourceError(f"{what}: the members of {name} came in several units ({written[:80]})")
    return others[0] if others else UNDEFINED


def _digits(values: Array) -> int | None:
    """Return the number of decimals that represents all values exactly; None where a few decimals are not enough."""
    known = values[np.isfinite(values)]
    if np.isinf(values).any():
        return None
    for digits in range(_MOST_DIGITS + 1):
        scaled = np.rint(known * 10.0**digits)
        if (np.abs(scaled) >= _LARGEST).any():
            return None
        if (scaled / 10.0**digits == known).all():
            return digits
    return None

"""Notes: what the reader of a forecast must know first. What is done with one depends on its kind, not on its words."""

from __future__ import annotations

from enum import Enum


class NoteKind(Enum):
    """What a note is about."""

    FORECAST = "the forecast"
    KP = "Kp"
    NO_NEWER_FORECAST = "no newer forecast could be had"
    NOT_KEPT = "the forecast could not be kept"
    INVENTED = "place and weather are invented"


class Note(str):
    """One line for the reader, with its kind.

    Parameters
    ----------
    words : str
        What is shown.
    kind : NoteKind, optional
        What it is about.

    Examples
    --------
    >>> Note("Kp is not known", NoteKind.KP).kind.name
    'KP'
    """

    kind: NoteKind

    def __new__(cls, words: str, kind: NoteKind = NoteKind.FORECAST) -> Note:
        """Return a note of these words."""
        note = super().__new__(cls, words)
        note.kind = kind
        return note


def kind_of(note: str) -> NoteKind:
    """Return the kind of a note; one that was written without a kind is about the forecast."""
    return note.kind if isinstance(note, Note) else NoteKind.FORECAST

"""Notes: what the reader of a forecast must know first. Code acts on the kind of a note, never on what it says."""

from __future__ import annotations

from enum import StrEnum


class NoteKind(StrEnum):
    """The subject of a note."""

    FORECAST = "forecast"
    KP = "kp"
    NO_NEWER_FORECAST = "no_newer_forecast"
    NOT_KEPT = "not_kept"
    MEMBERS = "members"
    GROUND = "ground"
    """The altitude of the ground at a site."""
    CHOICE = "choice"
    """A window that an earlier answer chose and that stays first."""
    INVENTED = "invented"
    """Place and weather are."""
    OWN_LIMITS = "own_limits"
    """Limits that the pilot set for today."""
    LOOSER_LIMITS = "looser_limits"
    """The same, looser than the maker's or the rule's."""
    ZONES = "zones"
    """Zones round a site, or zones that cannot be read."""


ZONES = "zones: "
"""Begins a note on zones, so that it says its subject wherever it stands alone; several in one line have it once."""


class Note(str):
    """One line for the reader, with its kind.

    Parameters
    ----------
    words : str
        The text to show.
    kind : NoteKind, optional
        Its subject.

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
    """Return the kind of a note; a plain string is a note about the forecast."""
    return note.kind if isinstance(note, Note) else NoteKind.FORECAST

"""Counts word errors as the scoring toolkit SCTK does: correct costs 0, an insertion or a deletion 3, a substitution 4."""

from dataclasses import dataclass, field

from kaldialign import align

GAP = "\0"
# What an answer turns on: heard as anything else it misleads, whatever the average is.
STATES = frozenset(
    """away bad buzz carries caught chocked clean clear closed cold cool coupled covered crooked crossed damaged dark dead down drags
    drinking driving dry empty fast firm folded free full gains good hangs held high holds hooked hot in latched left less level
    licensed lit live locked loose low marked missing no nobody not off on open other out over parked pinned plain plugged pushes
    released right rolls safe seated set shut silent sinks slack slow soft sound spills standing straight stuck sways tight unlocked up
    warm weak""".split()
)


@dataclass
class Count:
    """Errors against a number of reference words; counts of several sentences add up."""

    words: int = 0
    substituted: int = 0
    deleted: int = 0
    inserted: int = 0
    # Positions in the reference that an error touches; an insertion touches the word before it.
    at: set[int] = field(default_factory=set)
    # Positions in the reference of words that were not heard.
    lost: set[int] = field(default_factory=set)

    @property
    def errors(self) -> int:
        return self.substituted + self.deleted + self.inserted

    @property
    def rate(self) -> float:
        """Errors per reference word; above 1 where more was heard than said. Without reference words: 0 or infinite."""
        if self.words == 0:
            return float("inf") if self.errors else 0.0
        return self.errors / self.words

    def add(self, other: "Count") -> None:
        self.words += other.words
        self.substituted += other.substituted
        self.deleted += other.deleted
        self.inserted += other.inserted


def states_lost(said: list[str], errors: Count) -> list[str]:
    """The words of `said` that name a state and were heard as another word, or not at all."""
    return [said[at] for at in sorted(errors.lost) if said[at] in STATES]


def count(said: list[str], heard: list[str]) -> Count:
    """Aligns what was heard with what was to be said."""
    result, position = Count(words=len(said)), -1
    for ours, theirs in align(said, heard, GAP, sclite_mode=True):
        if ours == GAP:
            result.inserted += 1
            result.at.add(max(position, 0))
            continue
        position += 1
        if theirs == GAP:
            result.deleted += 1
            result.at.add(position)
            result.lost.add(position)
        elif ours != theirs:
            result.substituted += 1
            result.at.add(position)
            result.lost.add(position)
    return result

"""Which sessions are of one evening: those that share recordings."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterable, Mapping


def evenings(recordings: Mapping[str, Collection[Hashable]], alike: Iterable[tuple[str, str]] = ()) -> dict[str, str]:
    """By session, the first session of its evening; itself where it shares nothing.

    recordings : by session, the clips that it was measured from
    alike      : further pairs of sessions that hold the same shots; those not in ``recordings`` are left out
    """
    held: dict[str, set[Hashable]] = {name: set(clips) for name, clips in recordings.items()}
    for pair in alike:
        if set(pair) <= set(held):
            for name in pair:
                held[name].add(pair)
    first = {name: name for name in held}
    holder: dict[Hashable, str] = {}
    order = {name: at for at, name in enumerate(held)}
    for name, marks in held.items():
        for mark in marks:
            one, other = sorted((first[name], first[holder.setdefault(mark, name)]), key=order.__getitem__)
            if one != other:
                first = {session: one if of == other else of for session, of in first.items()}
    return first

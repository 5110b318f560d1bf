"""What holds for several responses alike, said in one line that names them all."""

from __future__ import annotations

from collections.abc import Iterable


def said_once(said: Iterable[tuple[str, str, Iterable[str]]]) -> tuple[str, ...]:
    """Lines about responses, those that differ in the response alone joined; in order of their first appearance.

    said : (stratum, label of a response, its lines), a line beginning with "stratum, label: ", or "label: " where the
           stratum has no name; lines that begin otherwise stay as they are
    """
    labels: dict[tuple[str, str], list[str]] = {}
    for stratum, label, lines in said:
        before = f"{stratum}, " if stratum else ""
        for line in lines:
            about, rest = line[: len(before + label) + 2], line[len(before + label) + 2 :]
            of_it = about == f"{before}{label}: "
            named = labels.setdefault((before, rest) if of_it else ("", line), [])
            if of_it and label not in named:
                named.append(label)
    return tuple(f"{before}{_listed(named)}: {rest}" if named else rest for (before, rest), named in labels.items())


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"

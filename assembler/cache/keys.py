"""Keys that can say what they were made of, so that a build can tell why a file was made anew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from assembler.cache.store import cache_key

Ingredients = dict[str, str]
"""What a piece of work depends on: words for the desk, and a hash of each."""
_MOST_NAMED = 4


class Key(str):
    """Key of a piece of work that knows its ingredients.

    Attributes
    ----------
    made_of
        All that it depends on, that of the work before it included.
    """

    made_of: Ingredients

    def __new__(cls, text: str, made_of: Ingredients) -> Key:
        """Join a key and its ingredients."""
        key = super().__new__(cls, text)
        key.made_of = made_of
        return key


def named_key(kind: str, parts: Mapping[str, object], after: Sequence[str] = ()) -> Key:
    """Give the key of a piece of work.

    Parameters
    ----------
    kind
        What is made.
    parts
        What it depends on by itself, each by a name that the desk understands.
    after
        Keys of the work that it goes on from.
    """
    made_of: Ingredients = {}
    for key in after:
        made_of |= getattr(key, "made_of", {})
    made_of |= {name: cache_key(name, value)[:16] for name, value in parts.items()}
    return Key(cache_key(kind, dict(parts), [str(key) for key in after]), made_of)


def changes(now: Mapping[str, str], last: Mapping[str, str]) -> list[str]:
    """Name the ingredients that are not what they were."""
    return [name for name in {**last, **now} if now.get(name) != last.get(name)]


def reason(now: Mapping[str, str], last: Mapping[str, str] | None, *, was_there: bool) -> str:
    """Say why a file was made anew or could be reused.

    Parameters
    ----------
    now, last
        Its ingredients now and in the release's last build; None where there was none.
    was_there
        The store had it.
    """
    changed = changes(now, last) if last is not None else []
    more = f" and {len(changed) - _MOST_NAMED} more" if len(changed) > _MOST_NAMED else ""
    named = ", ".join(changed[:_MOST_NAMED]) + more
    if was_there:
        return (
            f"made before, with the same {named}"
            if changed
            else "nothing it depends on has changed"
        )
    if last is None:
        return "the first time"
    return f"changed: {named}" if changed else "the store has it no more"

"""Cache keys that keep their ingredients, so that a build can explain why it made a file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from assembler.cache.folder import cache_key

Ingredients = dict[str, str]
"""What a file depends on: a readable name and a hash of each."""
_MOST_NAMED = 4


class Key(str):
    """A cache key that keeps its ingredients.

    Attributes
    ----------
    ingredients
        Everything that the file depends on, including what the files before it depend on.
    """

    ingredients: Ingredients

    def __new__(cls, text: str, ingredients: Ingredients) -> Key:
        """Join a key and its ingredients."""
        key = super().__new__(cls, text)
        key.ingredients = ingredients
        return key

    def depending_on(self, name: str, value: object) -> Key:
        """Return the same key with an ingredient whose effect is already among its parts."""
        return Key(self, self.ingredients | {name: cache_key(name, value)[:16]})


def named_key(kind: str, parts: Mapping[str, object], after: Sequence[str] = ()) -> Key:
    """Return a cache key with named ingredients.

    Parameters
    ----------
    kind
        What is cached.
    parts
        What it depends on, each with a readable name.
    after
        Keys of the work that it continues.
    """
    ingredients: Ingredients = {}
    for key in after:
        ingredients |= getattr(key, "ingredients", {})
    ingredients |= {name: cache_key(name, value)[:16] for name, value in parts.items()}
    return Key(cache_key(kind, dict(parts), [str(key) for key in after]), ingredients)


def changes(now: Mapping[str, str], last: Mapping[str, str]) -> list[str]:
    """List the ingredients that have changed."""
    return [name for name in {**last, **now} if now.get(name) != last.get(name)]


def reason(now: Mapping[str, str], last: Mapping[str, str] | None, *, was_cached: bool) -> str:
    """Return why a file was made again or reused.

    Parameters
    ----------
    now, last
        Its ingredients now and in the last build of the release; None without a last build.
    was_cached
        The cache had it.
    """
    changed = changes(now, last) if last is not None else []
    more = f" and {len(changed) - _MOST_NAMED} more" if len(changed) > _MOST_NAMED else ""
    named = ", ".join(changed[:_MOST_NAMED]) + more
    if was_cached:
        if changed:
            return f"made before with the same {named}"
        return "nothing that it depends on has changed"
    if last is None:
        return "new"
    return f"changed: {named}" if changed else "no longer in the cache"

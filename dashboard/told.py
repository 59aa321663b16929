"""What pages were told last, kept here under a short key: a page sends its key back instead of all of it."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any, Final

from dash import set_props

from dashboard.chart import digest


@dataclass(frozen=True)
class Around:
    """What `holds` other parts: where its `shape` is new it is made anew, with them in it.

    `place`: its component and property.
    """

    place: tuple[str, str]
    shape: Any
    holds: Collection[str]
    made: Callable[[], Any]


class Told:
    """Remembers what pages show, so that what did not change is not sent: nothing flickers, nothing is read
    aloud twice. Pages that show the same have the same key. Any thread may ask.
    """

    MOST: Final = 500

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._shown: OrderedDict[str, dict[str, str]] = OrderedDict()

    def tell(
        self,
        key: str | None,
        now: Mapping[str, Any],
        places: Mapping[str, tuple[str, str]],
        *,
        rest_stays: bool = False,
        around: Around | None = None,
    ) -> str:
        """Set, within a callback, the parts of `now` new to a page with this key; return its new one.

        `places`: component and property of each part. `rest_stays`: parts that are not named stay as they
        are. All of it is new where nobody knows the key any more.
        """
        seen = {name: digest(plain_tree(value)) for name, value in now.items()}
        if around is not None:
            seen["around"] = digest(around.shape)
        with self._lock:
            known = self._shown.get(key or "", {})
            if around is not None and known.get("around") != seen["around"]:
                component, what = around.place
                set_props(component, {what: around.made()})
                known = known | {name: seen[name] for name in around.holds}
            for name, value in now.items():
                if known.get(name) != seen[name]:
                    component, what = places[name]
                    set_props(component, {what: value})
            if rest_stays:
                seen = {**known, **seen}
            fresh = digest(seen)
            self._shown[fresh] = seen
            self._shown.move_to_end(fresh)
            while len(self._shown) > self.MOST:
                self._shown.popitem(last=False)
        return fresh


def plain_tree(value: Any) -> Any:
    """Return a component tree as plain data."""
    if isinstance(value, list):
        return [plain_tree(one) for one in value]
    return value.to_plotly_json() if hasattr(value, "to_plotly_json") else value

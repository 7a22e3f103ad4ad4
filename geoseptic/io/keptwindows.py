"""What is kept of the windows of a step, and of windows that lie together: where nothing of a block changed, one look finds all of it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from geoseptic.io.kept import Store
from geoseptic.io.keptfiles import Entry
from geoseptic.model.planes import Values
from geoseptic.terrain.windows import Window

Corner = tuple[int, int]

Told = Any
"""What a step says of a window beside its arrays, as JSON holds it."""

WINDOWS_ACROSS: Final = 4
"""Windows along the side of a block: a change has the windows of its block looked up one by one."""


@dataclass(eq=False)
class OfWindow:
    """What is kept of a window: under which key, what was told, and what tells each of its arrays from any other. Its file is opened when
    an array is read."""

    key: str
    told: Told
    contents: tuple[str, ...]
    _entry: Entry | None = None

    @classmethod
    def of(cls, key: str, entry: Entry) -> "OfWindow":
        """Of an entry whose arrays were identified when they were put."""
        return cls(key, entry.told, tuple(own.content for own in entry.arrays), entry)

    def array(self, store: Store, number: int) -> Values | None:
        """An array, not to be written into; None where it is damaged or gone."""
        if self._entry is None:
            self._entry = store.find(self.key)
        return None if self._entry is None else store.array(self._entry, number)

    def put_again(self, store: Store, arrays: Sequence[Values]) -> None:
        """Keep arrays that were damaged or gone, made again."""
        self._entry = store.put(self.key, arrays, self.told, identified=True)


def corner_of(window: Window) -> Corner:
    """Its first row and column."""
    return window[0].start, window[1].start


class Blocks:
    """Blocks of windows whose side is `side` cells, as far as they were all kept together by an earlier run.

    `given` says of a window what the step is given: all that is given of a window must follow from what is given of any larger one.
    """

    def __init__(self, store: Store, step: str, over: Sequence[Window], side: int, given: Callable[[Window], Any]) -> None:
        self.store = store
        self.found: dict[Corner, OfWindow] = {}
        self._unknown: list[tuple[str, list[Window]]] = []
        blocks: dict[Corner, list[Window]] = {}
        for window in over:
            row, col = (start // (side * WINDOWS_ACROSS) for start in corner_of(window))
            blocks.setdefault((row, col), []).append(window)
        for own in blocks.values():
            if len(own) == 1:
                continue
            rows, cols = (slice(first.start, last.stop) for first, last in zip(own[0], own[-1], strict=True))
            key = store.key(f"{step} of windows that lie together", side, (rows, cols), given((rows, cols)))
            entry = store.find(key)
            if entry is None:
                self._unknown.append((key, own))
                continue
            for window, (of_window, told, contents) in zip(own, entry.told, strict=True):
                self.found[corner_of(window)] = OfWindow(of_window, told, tuple(contents))
            store.hold(of_window for of_window, _, _ in entry.told)

    def put(self, done: dict[Corner, OfWindow]) -> None:
        """Keep the blocks that were not found, of which all windows are there now."""
        for key, own in self._unknown:
            each = [done[corner_of(window)] for window in own]
            self.store.put(key, (), [[one.key, one.told, one.contents] for one in each])

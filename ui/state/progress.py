"""Progress of work on a bench: a bar that appears when work takes long, and a button that calls it off."""

from __future__ import annotations

import time

from streamlit.delta_generator import DeltaGenerator

from ui.state.streamlit_adapter import pressed_meanwhile

SHOW_PROGRESS_AFTER_S = 0.4
CALL_OFF = "call_off_the_work"


class CalledOff(Exception):
    """The button that calls the work off was pressed."""


class WorkProgress:
    """A bar that appears when work takes long, and a button that calls it off.

    The next click may make every call of Streamlit raise: that must not stop the work half-way, so it is kept
    and raised again when the work is done.
    """

    def __init__(self, place: DeltaGenerator) -> None:
        self._place, self._start_s = place, time.monotonic()
        self._bar: DeltaGenerator | None = None
        self._stopped: BaseException | None = None
        self._called_off = False

    def report(self, share: float) -> None:
        """Tell how far the work is, 0 to 1."""
        if self._stopped is not None or time.monotonic() - self._start_s < SHOW_PROGRESS_AFTER_S:
            return
        try:
            if self._bar is None:
                row = self._place.container(horizontal=True, vertical_alignment="center")
                self._bar = row.empty()
                row.button("Call it off", key=CALL_OFF)
            self._bar.progress(min(max(share, 0.0), 1.0), "The car is working ...")
        except BaseException as stop:
            self._stopped = stop
        if not self._called_off and pressed_meanwhile(CALL_OFF):
            self._called_off = True
            raise CalledOff

    def end(self) -> None:
        """Take the bar away, and let the next click have its turn."""
        if self._stopped is not None:
            raise self._stopped
        if self._bar is not None:
            self._place.empty()

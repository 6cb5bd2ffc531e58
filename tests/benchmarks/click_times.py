"""From a click to the new picture, measured in the browser; what the server's processor did meanwhile."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from subprocess import Popen
from sys import executable

import psutil
from playwright.sync_api import Locator

from tests.ui.browser import free_port, server

EMPTY_PAGE = Path(__file__).with_name("empty_page.py")
SETTLED_MS = 250  # since the last message: what a click may still have brought is over

# the click, and the first frame of the screen after everything that it brought is drawn
CLICK = """async (thing) => {
  const turn = window.turn, start = performance.now();
  thing.dispatchEvent(new MouseEvent('click', {bubbles: true, composed: true, cancelable: true}));
  await new Promise((done, failed) => {
    const look = () => {
      if (performance.now() - start > 60000) failed(new Error('no answer to this click'));
      const answered = window.sent > turn && window.sent < window.begun && window.begun < window.finished;
      if (answered && !window.drawing()) requestAnimationFrame(() => setTimeout(done));
      else requestAnimationFrame(look);
    };
    look();
  });
  return performance.now() - start;
}"""


class ClickTimes:
    """Milliseconds from click to picture, and of the server's processor, by what was clicked."""

    def __init__(self, process: Popen[bytes]) -> None:
        self._server = psutil.Process(process.pid)
        self.ms: dict[str, list[float]] = defaultdict(list)
        self.processor_ms: dict[str, list[float]] = defaultdict(list)

    def click(self, name: str, thing: Locator) -> None:
        """Click, wait for the picture, note both times."""
        thing.wait_for()
        page = thing.page
        page.wait_for_function(f"performance.now() - window.heard_at > {SETTLED_MS} && !window.drawing()")
        before_s = self._processor_s()
        self.ms[name].append(float(thing.evaluate(CLICK)))
        self.processor_ms[name].append(1000 * (self._processor_s() - before_s))

    def _processor_s(self) -> float:
        times = self._server.cpu_times()
        return float(times.user + times.system)

    def percentile_ms(self, share: float, *names: str) -> float:
        """The time within which this share of the clicks is answered; of all clicks if none is named."""
        times = sorted(one for name in names or self.ms for one in self.ms[name])
        return times[min(int(share * len(times)), len(times) - 1)]

    def table(self) -> Iterator[str]:
        """A line for each kind of click, the slowest first."""
        for name in sorted(self.ms, key=lambda one: -self.percentile_ms(0.5, one)):
            count, usual_ms, most_ms = len(self.ms[name]), self.percentile_ms(0.5, name), max(self.ms[name])
            server_ms = sum(self.processor_ms[name]) / count
            yield f"{name:30} median {usual_ms:5.0f}, most {most_ms:5.0f}, server {server_ms:4.0f} ({count})"


@contextmanager
def empty_page() -> Iterator[tuple[str, Popen[bytes]]]:
    """The address and the process of the page with nothing but a button."""
    port = free_port()
    command = [executable, "-m", "streamlit", "run", str(EMPTY_PAGE), "--server.port", str(port)]
    with server(port, command) as process:
        yield f"http://127.0.0.1:{port}", process

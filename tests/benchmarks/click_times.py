"""From a click to the new picture, measured in the browser, and what the processor did meanwhile.

On a machine with other work on it the processor's time tells more: that of the server's process, and that of
the thread in which the browser draws the page.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from subprocess import Popen
from sys import executable

import psutil
from playwright.sync_api import Locator, Page

from tests.ui.browser import free_port, server

EMPTY_PAGE = Path(__file__).with_name("empty_page.py")
SETTLED_MS = 250  # since the last message: what a click may still have brought is over

# the click, the first sign of progress, and the first frame after everything that it brought is drawn
CLICK = """async (thing) => {
  const turn = window.turn, start = performance.now();
  let sign = Infinity;
  thing.dispatchEvent(new MouseEvent('click', {bubbles: true, composed: true, cancelable: true}));
  await new Promise((done, failed) => {
    const look = () => {
      if (document.querySelector('[data-testid=stSpinner]')) sign = Math.min(sign, performance.now() - start);
      if (performance.now() - start > 60000) failed(new Error('no answer to this click'));
      const answered = window.sent > turn && window.sent < window.begun && window.begun < window.finished;
      if (answered && !window.drawing()) requestAnimationFrame(() => setTimeout(done));
      else requestAnimationFrame(look);
    };
    look();
  });
  const picture = performance.now() - start;
  return [picture, Math.min(picture, sign)];
}"""


class ClickTimes:
    """Milliseconds from click to picture, and of the processor, by what was clicked."""

    def __init__(self, process: Popen[bytes], page: Page) -> None:
        self._server = psutil.Process(process.pid)
        self._browser = page.context.new_cdp_session(page)
        self._browser.send("Performance.enable", {"timeDomain": "threadTicks"})
        self.ms: dict[str, list[float]] = defaultdict(list)
        self.sign_ms: dict[str, list[float]] = defaultdict(list)  # of the picture or of progress
        self.server_ms: dict[str, list[float]] = defaultdict(list)
        self.browser_ms: dict[str, list[float]] = defaultdict(list)

    def and_of(self, other: ClickTimes) -> None:
        """Take in the times of another page."""
        for mine, its in (
            (self.ms, other.ms),
            (self.sign_ms, other.sign_ms),
            (self.server_ms, other.server_ms),
            (self.browser_ms, other.browser_ms),
        ):
            for name, times in its.items():
                mine[name] += times

    def click(self, name: str, thing: Locator) -> None:
        """Click, wait for the picture, note both times."""
        thing.wait_for()
        page = thing.page
        page.wait_for_function(f"performance.now() - window.heard_at > {SETTLED_MS} && !window.drawing()")
        server_s, browser_s = self._server_s(), self._browser_s()
        picture_ms, sign_ms = thing.evaluate(CLICK)
        self.ms[name].append(float(picture_ms))
        self.sign_ms[name].append(float(sign_ms))
        self.server_ms[name].append(1000 * (self._server_s() - server_s))
        self.browser_ms[name].append(1000 * (self._browser_s() - browser_s))

    def _server_s(self) -> float:
        times = self._server.cpu_times()
        return float(times.user + times.system)

    def _browser_s(self) -> float:
        told = self._browser.send("Performance.getMetrics")["metrics"]
        return next(float(one["value"]) for one in told if one["name"] == "TaskDuration")

    def processor_ms(self, share: float, *names: str) -> float:
        """What server and browser together took of the processor for this share of the clicks."""
        both = (zip(self.server_ms[name], self.browser_ms[name], strict=True) for name in names or self.ms)
        times = sorted(sum(pair) for pairs in both for pair in pairs)
        return times[min(int(share * len(times)), len(times) - 1)]

    def percentile_ms(self, share: float, *names: str) -> float:
        """The time within which this share of the clicks is answered; of all clicks if none is named."""
        times = sorted(one for name in names or self.ms for one in self.ms[name])
        return times[min(int(share * len(times)), len(times) - 1)]

    def table(self) -> Iterator[str]:
        """A line for each kind of click, the slowest first."""
        for name in sorted(self.ms, key=lambda one: -self.percentile_ms(0.5, one)):
            count, usual_ms, most_ms = len(self.ms[name]), self.percentile_ms(0.5, name), max(self.ms[name])
            server_ms, browser_ms = (sum(times[name]) / count for times in (self.server_ms, self.browser_ms))
            yield (
                f"{name:30} median {usual_ms:5.0f}, most {most_ms:5.0f}, "
                f"processor: server {server_ms:4.0f}, browser {browser_ms:4.0f} ({count})"
            )


@contextmanager
def empty_page() -> Iterator[tuple[str, Popen[bytes]]]:
    """The address and the process of the page with nothing but a button."""
    port = free_port()
    command = [executable, "-m", "streamlit", "run", str(EMPTY_PAGE), "--server.port", str(port)]
    with server(port, command) as process:
        yield f"http://127.0.0.1:{port}", process

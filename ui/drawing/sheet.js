const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function middle(thing) {
  const box = thing.getBoundingClientRect();
  return [box.x + box.width / 2, box.y + box.height / 2];
}

function beside(things, from, [right, down]) {
  const [x, y] = middle(from);
  let nearest = null;
  let least = Infinity;
  for (const thing of things) {
    const [u, v] = middle(thing);
    const ahead = (u - x) * right + (v - y) * down;
    const far = ahead + 3 * Math.abs((u - x) * down + (v - y) * right);
    if (ahead > 1 && far < least) [nearest, least] = [thing, far];
  }
  return nearest;
}

// a drawing wider than its paper begins at the part that it is of, and not at the battery far from it
function begin(sheet) {
  const paper = sheet.querySelector('.paper');
  const key = paper && `${paper.dataset.of} ${paper.clientWidth}`;
  if (sheet.begun === key) return;
  sheet.begun = key;
  const part = paper && paper.dataset.of && paper.querySelector(`[data-id^="${CSS.escape(paper.dataset.of)}."]`);
  if (part) paper.scrollLeft += middle(part)[0] - middle(paper)[0];
}

export default function (component) {
  const { data, parentElement, setTriggerValue, setStateValue } = component;
  const sheet = parentElement.querySelector('.sheet');
  const focused = parentElement.activeElement && parentElement.activeElement.dataset
    ? parentElement.activeElement.dataset.id : undefined;
  const things = () => [...sheet.querySelectorAll('[data-id]')];
  // the whole sheet is one stop of the Tab key: arrow keys lead on from there
  const stop_at = (stop) => things().forEach((thing) => { thing.tabIndex = thing === stop ? 0 : -1; });
  const told = data.html + JSON.stringify(data.playback ?? '');
  if (sheet.shown !== told) {
    const { scrollLeft = 0, scrollTop = 0, dataset = {} } = sheet.querySelector('.paper') ?? {};
    sheet.innerHTML = data.html;
    const paper = sheet.querySelector('.paper');
    if (paper && paper.dataset.of === dataset.of) paper.scrollTo(scrollLeft, scrollTop); // a lead was put
    sheet.shown = told;
    stop_at(things().find((thing) => thing.dataset.id === sheet.stop) || things()[0]);
    if (focused) {
      const again = sheet.querySelector(`[data-id="${CSS.escape(focused)}"]`);
      if (again) again.focus({ preventScroll: true });
    }
    sheet.stop_playing?.();
    sheet.stop_playing = data.playback ? play_back(sheet, data.playback) : undefined;
    follow_again(sheet);
  }
  const pick = (event) => {
    const hit = event.target.closest('[data-id]');
    if (!hit) return;
    event.preventDefault();
    setTriggerValue('pick', hit.dataset.id);
  };
  // what scrolls can be scrolled by the arrow keys (WCAG 2.2, 2.1.1): without a thing to pick it is a stop of its own
  const scrolls = () => sheet.querySelectorAll('.wide, .lists, .lanes, .paper').forEach((box) => {
    const over = box.scrollWidth > box.clientWidth || box.scrollHeight > box.clientHeight;
    box.toggleAttribute('tabindex', over && !box.querySelector('[data-id]'));
    if (box.hasAttribute('tabindex')) box.tabIndex = 0;
  });
  sheet.onclick = pick;
  sheet.onkeydown = (event) => {
    const from = event.target.closest('[data-id]');
    if (event.key === 'Enter' || event.key === ' ') pick(event);
    else if (from && ARROWS[event.key]) {
      event.preventDefault();
      beside(things(), from, ARROWS[event.key])?.focus();
    }
  };
  sheet.focus_came = (event) => {
    const stop = event.target.closest('[data-id]');
    if (!stop) return;
    sheet.stop = stop.dataset.id;
    stop_at(stop);
  };
  if (!sheet.listens) {
    sheet.listens = true;
    sheet.addEventListener('focusin', (event) => sheet.focus_came(event));
    window.addEventListener(MOMENT, (event) => { if (sheet.isConnected) follow(sheet, event.detail); });
  }
  const gone = () => setTimeout(() => {
    if (sheet.isConnected || !sheet.stop_playing) return;
    sheet.stop_playing();
    tell_maps(null);
  });
  if (data.news && window.busbay_news !== data.news) {
    window.busbay_news = data.news;
    document.querySelector('[data-testid=stMain]')?.scrollTo({ top: 0, behavior: 'instant' });
  }
  sheet.told = data.narrow;
  const measure = () => {
    scrolls();
    begin(sheet);
    if (!data.asks_width) return;
    const narrow = sheet.clientWidth < data.narrower_than_px;
    if (sheet.clientWidth > 0 && narrow !== sheet.told) {
      sheet.told = narrow;
      setStateValue('narrow', narrow);
    }
  };
  if (!sheet.observer) {
    sheet.observer = new ResizeObserver(() => sheet.measure());
    sheet.observer.observe(sheet);
  }
  sheet.measure = measure;
  measure();
  return gone;
}

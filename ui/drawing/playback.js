const MOMENT = 'busbay-moment';
const STEP_MS = 900; // from mark to mark, where motion is to be reduced

// which of a box's drawings, each with the time since when it holds, is the one of a moment
function place_at(changes, time_s) {
  return Math.max(0, changes.filter(([since_s]) => since_s <= time_s).length - 1);
}

// on a sheet with a map: every box as it was; null is as it is now
function follow(sheet, moment) {
  if (!sheet.querySelector('svg.map[role=group]:not(.plan)')) return;
  const seen = {};
  for (const [id, drawing] of moment || sheet.boxes_then || []) {
    const nth = seen[id] = (seen[id] ?? -1) + 1;
    const box = sheet.querySelectorAll(`[data-id="${CSS.escape(id)}"]`)[nth];
    if (!box) continue;
    const key = `${id} ${nth}`;
    sheet.boxes_now ??= {};
    sheet.boxes_now[key] ??= box.outerHTML;
    const wanted = (moment && drawing) || sheet.boxes_now[key];
    if (box.drawing === wanted) continue;
    const stop = box.tabIndex;
    box.outerHTML = wanted;
    const drawn = sheet.querySelectorAll(`[data-id="${CSS.escape(id)}"]`)[nth];
    drawn.drawing = wanted;
    drawn.tabIndex = stop;
  }
  sheet.boxes_then = moment;
}

// the map is drawn anew: what was kept of it is of no use, and the moment holds for it, too
function follow_again(sheet) {
  sheet.boxes_now = {};
  if (window.busbay_moment) follow(sheet, window.busbay_moment);
}

function tell_maps(moment) {
  window.busbay_moment = moment;
  window.dispatchEvent(new CustomEvent(MOMENT, { detail: moment }));
}

// the controls of a time view and its cursor; `told` is what `playback` in playback.py gives
function play_back(sheet, told) {
  const find = (name) => sheet.querySelector(`.playbar .${name}`);
  const [play, scrub, speed, clock] = ['play', 'scrub', 'speed', 'clock'].map(find);
  const svg = sheet.querySelector('svg.timeline[role=group]');
  const [cursor, ahead] = ['.cursor', '.ahead'].map((name) => svg.querySelector(name));
  const [saying, lanes] = ['.saying', '.lanes'].map((name) => sheet.querySelector(name));
  const marks = [...svg.querySelectorAll('.event')].map((mark) => [Number(mark.dataset.at), mark]);
  marks.sort((one, two) => one[0] - two[0]);
  const moments = [...new Set(marks.map(([at_s]) => at_s))];
  const calm = window.matchMedia('(prefers-reduced-motion: reduce)').matches;
  let now_s = told.end_s;
  let on_map = String(null);
  let playing = null;
  let before_ms = 0;

  const bring_into_view = (mark) => {
    const [frame, box] = [lanes.getBoundingClientRect(), mark.getBoundingClientRect()];
    if (now_s < told.end_s && (box.top < frame.top || box.bottom > frame.bottom)) {
      lanes.scrollTop += box.top - frame.top - frame.height / 2;
    }
  };
  const show = (time_s) => {
    now_s = Math.min(Math.max(time_s, told.start_s), told.end_s);
    const share = (now_s - told.start_s) / (told.end_s - told.start_s);
    const x = told.left + share * (told.right - told.left);
    sheet.moment = { start_s: told.start_s, end_s: told.end_s, now_s };
    cursor.setAttribute('transform', `translate(${x},0)`);
    ahead.setAttribute('x', x);
    ahead.setAttribute('width', told.right - x);
    scrub.value = now_s;
    clock.textContent = `${now_s.toFixed(2)} s`;
    scrub.setAttribute('aria-valuetext', clock.textContent);
    const last_s = moments.filter((at_s) => at_s <= now_s).pop();
    const just = marks.filter(([at_s]) => at_s === last_s).map(([, mark]) => mark);
    for (const [at_s, mark] of marks) {
      mark.classList.toggle('just', at_s === last_s);
      mark.classList.toggle('to-come', at_s > now_s);
    }
    const first = just.length ? just[0].getAttribute('aria-label') : '';
    if (just.length) bring_into_view(just[0]);
    saying.textContent = just.length > 1 ? `${first} (and ${just.length - 1} more at that moment)` : first;
    const places = now_s < told.end_s ? told.boxes.map(([, changes]) => place_at(changes, now_s)) : null;
    if (String(places) === on_map) return;
    on_map = String(places);
    tell_maps(places && told.boxes.map(([id, changes], nth) => [id, changes[places[nth]]?.[1] ?? null]));
  };
  const stop = () => {
    if (playing) (calm ? clearTimeout : cancelAnimationFrame)(playing);
    playing = null;
    play.textContent = '\u25B6\uFE0E Play';
  };
  const next_mark = () => moments.find((at_s) => at_s > now_s + 1e-9) ?? told.end_s;
  const mark_before = () => moments.filter((at_s) => at_s < now_s - 1e-9).pop() ?? told.start_s;
  const again = () => {
    playing = calm ? setTimeout(run, STEP_MS) : requestAnimationFrame(run);
  };
  const run = (time_ms) => {
    if (!sheet.isConnected) return;
    if (calm) show(next_mark());
    else {
      show(now_s + Math.min(time_ms - before_ms, 1000) / 1000 * Number(speed.value));
      before_ms = time_ms;
    }
    if (now_s >= told.end_s) stop();
    else again();
  };
  play.onclick = () => {
    if (playing) return stop();
    if (now_s >= told.end_s) show(told.start_s);
    play.textContent = '\u2016 Pause';
    before_ms = performance.now();
    again();
  };
  const to = (time_s) => { stop(); show(time_s); };
  find('back').onclick = () => to(mark_before());
  find('on').onclick = () => to(next_mark());
  scrub.oninput = () => to(Number(scrub.value));
  const dragged = (event) => {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    to(told.start_s + (at.x - told.left) / (told.right - told.left) * (told.end_s - told.start_s));
  };
  svg.onpointerdown = (event) => {
    if (event.target.closest('[data-id]')) return;
    svg.setPointerCapture(event.pointerId);
    dragged(event);
  };
  svg.onpointermove = (event) => { if (svg.hasPointerCapture(event.pointerId)) dragged(event); };
  tell_maps(null);
  const kept = sheet.moment; // of a time view of the same span, drawn otherwise
  show(kept && kept.start_s === told.start_s && kept.end_s === told.end_s ? kept.now_s : told.end_s);
  return stop;
}

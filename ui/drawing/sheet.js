export default function (component) {
  const { data, parentElement, setTriggerValue, setStateValue } = component;
  const sheet = parentElement.querySelector('.sheet');
  const focused = parentElement.activeElement && parentElement.activeElement.dataset
    ? parentElement.activeElement.dataset.id : undefined;
  if (sheet.shown !== data.html) {
    sheet.innerHTML = data.html;
    sheet.shown = data.html;
    if (focused) {
      const again = sheet.querySelector(`[data-id="${CSS.escape(focused)}"]`);
      if (again) again.focus({ preventScroll: true });
    }
  }
  const pick = (event) => {
    const hit = event.target.closest('[data-id]');
    if (!hit) return;
    event.preventDefault();
    setTriggerValue('pick', hit.dataset.id);
  };
  sheet.onclick = pick;
  sheet.onkeydown = (event) => { if (event.key === 'Enter' || event.key === ' ') pick(event); };
  if (!data.asks_width) return;
  sheet.told = data.narrow;
  const measure = () => {
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
}

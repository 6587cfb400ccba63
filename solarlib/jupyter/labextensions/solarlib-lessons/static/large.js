// Large, for a room: one stop fills the screen, one key steps on. A prediction is first the question, then the hands that
// go up for each answer, then the picture, its sentence and at last the reply; a check is its text and its field.

const KEYS = {PageDown: 1, n: 1, PageUp: -1, b: -1};
const NAMES = {title: 'title', question: 'question', hands: 'hands', picture: 'picture', caption: 'what it shows',
  reply: 'reply', check: 'check'};
// CSS px of a panel with its margins before it is made larger: 16.7 px, the smallest words in a picture, are then 2.5 %
// of the window's height. What is higher, as a long check, scrolls.
const WIDE = 1090, HIGH = 663;

export function stopsOf(notebook) {
  const stops = [], all = notebook.widgets;
  let text = 0, question = null;
  const add = (kind, ...shown) => stops.push({kind, shown});
  const reply = () => { if (question) add('reply', question); question = null; };
  all.forEach((cell, at) => {
    const has = name => cell.node.querySelector(name), source = cell.model.sharedModel.source;
    if (at === 0) add('title', cell);
    else if (cell.model.type === 'markdown') { if (source.includes('**Check')) text = at; }
    else if (has('.sl-question')) {
      reply();
      add('question', cell);
      add('hands', cell);
      question = cell;
    } else if (has('.sl-answer')) {
      if (!/^# Field: check/.test(source)) return;
      reply();
      add('check', ...all.slice(text, at).filter(one => !/^# Field: check/.test(one.model.sharedModel.source)), cell);
    } else if (has('.sl-panel')) {
      add('picture', cell);
      add('caption', cell);
      reply();
    }
  });
  reply();
  return stops;
}

let room = null;

export function enter(lesson) {
  const stops = stopsOf(lesson.notebook), last = Number(sessionStorage.getItem(`stop in ${lesson.place}`)) || 0;
  room = {lesson, stops, at: Math.min(last, stops.length - 1)};
  window.addEventListener('keydown', key, true);
  window.addEventListener('resize', fit);
  document.querySelector('.sl-stop').onclick = event => step(Number(event.target.dataset.step) || 0);
  show();
}

export function leave(lesson) {
  if (!room || room.lesson !== lesson) return;
  window.removeEventListener('keydown', key, true);
  window.removeEventListener('resize', fit);
  lesson.notebook.widgets.forEach(cell => cell.node.classList.remove('sl-now'));
  lesson.notebook.node.style.removeProperty('--sl-zoom');
  delete document.body.dataset.stop;
  document.querySelector('.sl-stop').textContent = '';
  const first = room.stops[room.at].shown[0];
  room = null;
  requestAnimationFrame(() => first.node.scrollIntoView({block: 'start'}));
}

function key(event) {
  if (event.key === 'Escape') return room.lesson.look('page');
  const typing = event.target.closest('input:not([type=checkbox])') && event.key.length === 1;
  if (typing || event.ctrlKey || event.metaKey || event.altKey || !(event.key in KEYS)) return;
  event.preventDefault();
  event.stopPropagation();
  step(KEYS[event.key]);
}

function step(by) {
  const from = room.stops[room.at], to = Math.max(0, Math.min(room.stops.length - 1, room.at + by));
  if (from.kind === 'hands' && by > 0 && !decide(from.shown[0].node)) return;
  room.at = to;
  sessionStorage.setItem(`stop in ${room.lesson.place}`, to);
  show();
}

function show() {
  const stop = room.stops[room.at];
  room.lesson.notebook.widgets.forEach(cell => cell.node.classList.toggle('sl-now', stop.shown.includes(cell)));
  document.body.dataset.stop = stop.kind;
  if (stop.kind === 'hands' || stop.kind === 'reply') tally(stop.shown[0].node);
  document.querySelector('.sl-stop').innerHTML = `<button type="button" data-step="-1">Back (PageUp)</button>` +
    `<span aria-live="polite">${room.at + 1} of ${room.stops.length}: ${NAMES[stop.kind]}</span>` +
    `<button type="button" data-step="1">Next (PageDown)</button>`;
  fit();
}

function fit() {
  const zoom = Math.max(1, Math.min(innerWidth / WIDE, innerHeight / HIGH));
  room.lesson.notebook.node.style.setProperty('--sl-zoom', zoom.toFixed(3));
  room.lesson.notebook.outerNode.scrollTop = 0;
}

const options = cell => [...cell.querySelectorAll('.sl-question .widget-toggle-buttons button')];

// The most hands are the guess of the room, unless somebody has chosen already. Without either the picture stays closed.
function decide(cell) {
  if (options(cell).some(button => button.classList.contains('mod-active'))) return true;
  const counts = [...cell.querySelectorAll('.sl-tally input')].map(box => Number(box.value) || 0);
  const most = Math.max(...counts);
  if (most > 0) options(cell)[counts.indexOf(most)].click();
  else cell.querySelector('.sl-tally p').textContent = 'Type the hands for at least one answer, then step on.';
  return most > 0;
}

// One row an answer: its words, the hands counted, and a bar that is as long as their share.
function tally(cell) {
  if (cell.querySelector('.sl-tally')) return;
  const box = document.createElement('div'), rows = options(cell).map(button => {
    const row = document.createElement('label');
    row.innerHTML = '<span></span><input type="number" min="0" inputmode="numeric"><i></i>';
    row.firstChild.textContent = button.textContent;
    return row;
  });
  box.className = 'sl-tally';
  box.append(...rows, Object.assign(document.createElement('p'), {role: 'status'}));
  box.addEventListener('input', () => {
    const counts = rows.map(row => Math.max(0, Number(row.children[1].value) || 0));
    const whole = counts.reduce((sum, count) => sum + count, 0);
    rows.forEach((row, at) => { row.children[2].style.width = `${whole ? 100 * counts[at] / whole : 0}%`; });
    box.lastChild.textContent = whole ? `${whole} hands` : '';
  });
  cell.querySelector('.sl-question').append(box);
}

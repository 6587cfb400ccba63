// The task at hand stands in its panel. Tasks are the last numbered list between a panel and the panel before it; a
// still picture, in which nothing can be moved or pressed, has none.

const BESIDE = 'sl-task';

export function attachTasks(notebook) {
  let list = null;
  for (const cell of notebook.widgets) {
    list = [...cell.node.querySelectorAll('.jp-MarkdownOutput ol')].pop() || list;
    const panel = cell.node.querySelector('.sl-panel:not(.sl-question):not(.sl-answer)');
    if (!panel) continue;
    const moves = panel.querySelector('.sl-controls, .jupyter-button, input');
    if (list && moves && !panel.querySelector(`:scope > .${BESIDE}`)) panel.prepend(taskBox([...list.children]));
    list = null;
  }
}

// All tasks lie on one place, so that the panel keeps its height; one of them is seen.
function taskBox(items) {
  const box = document.createElement('div'), words = document.createElement('div');
  box.className = BESIDE;
  words.setAttribute('aria-live', 'polite');
  const shown = items.map((item, at) => {
    const one = document.createElement('div');
    one.innerHTML = `<b>${at + 1} of ${items.length}</b> ${item.innerHTML}`;
    words.append(one);
    return one;
  });
  let now = 0;
  const show = () => shown.forEach((one, at) => { one.style.visibility = at === now ? 'visible' : 'hidden'; });
  const next = document.createElement('button');
  next.type = 'button';
  next.textContent = 'Next task';
  next.hidden = items.length < 2;
  next.addEventListener('click', () => { now = (now + 1) % items.length; show(); });
  box.append(words, next);
  show();
  return box;
}

// In a narrow window, as at 200 % zoom, a picture shrinks with its column and its words do not grow. One button then shows
// it at its full size; its region scrolls sideways, by keyboard too, while the page, the controls and the caption stay.

export function attachLarger(notebook) {
  for (const panel of notebook.node.querySelectorAll('.sl-panel:has(>.sl-controls)')) {
    const view = panel.querySelector(':scope > .sl-view');
    if (!view || panel.querySelector(':scope > .sl-larger')) continue;
    const button = Object.assign(document.createElement('button'), {type: 'button', className: 'sl-larger'});
    button.textContent = 'Larger picture';
    button.setAttribute('aria-pressed', false);
    button.addEventListener('click', () => {
      const larger = panel.classList.toggle('sl-full');
      button.setAttribute('aria-pressed', larger);
      if (!larger) return ['tabindex', 'role', 'aria-label'].forEach(name => view.removeAttribute(name));
      view.tabIndex = 0;
      view.setAttribute('role', 'region');
      view.setAttribute('aria-label', 'Picture, scrolls sideways');
    });
    view.before(button);
  }
}

// A lesson runs by itself when it is opened, while the reader stays at its top or where a reload finds them. A strip at
// the foot tells how far it is and offers three views: with its code, as a page without, and large for a room.
//
// JupyterLab loads this file as it stands: a container with `init` and `get` is all that it asks of a prebuilt extension.
(function () {
  'use strict';
  const FOLDER = document.currentScript.src.replace(/[^/]*$/, '');
  const LESSON = /(^|\/)\d\d-[a-z-]+\.ipynb$/;  // other notebooks run when their reader says so
  const VIEWS = {code: 'With code', page: 'As a page', large: 'Large'};
  const SERVER = JSON.parse(document.getElementById('jupyter-config-data').textContent);
  const asked = new URLSearchParams(location.search).get('view');
  if (asked in VIEWS) sessionStorage.setItem('lesson view', asked);
  const kept = sessionStorage.getItem('lesson view');
  let cells, beside;  // JupyterLab's own module of cells, and the modules beside this file

  // The kernel starts while the page is still loading: JupyterLab then finds the session that is there.
  function startKernel() {
    const path = (decodeURIComponent(location.pathname).match(/\/tree\/(.+)$/) || [])[1];
    if (!path || !LESSON.test(path)) return;
    const session = {path, name: path.split('/').pop(), type: 'notebook', kernel: {name: 'python3'}};
    const headers = {'Content-Type': 'application/json', Authorization: `token ${SERVER.token}`};
    fetch(`${SERVER.baseUrl}api/sessions`, {method: 'POST', headers, body: JSON.stringify(session)}).catch(() => {});
  }

  class Lesson {
    constructor(panel) {
      this.panel = panel;
      this.notebook = panel.content;
      this.session = panel.sessionContext;
      this.place = `place in ${panel.context.path}`;
      this.told = 'Getting ready ...';
      this.held = true;
      this.round = 0;  // a run that is overtaken by a newer one stops
      this.view = kept || 'code';
    }

    async open() {
      await this.panel.context.ready;
      this.keepPlace(this.notebook.outerNode);
      new MutationObserver(() => {
        beside.tasks.attachTasks(this.notebook);
        beside.larger.attachLarger(this.notebook);
        // the corner of a table heads nothing
        for (const corner of this.notebook.node.querySelectorAll('.jp-RenderedHTMLCommon th:empty'))
          corner.replaceWith(document.createElement('td'));
      }).observe(this.notebook.node, {childList: true, subtree: true});
      await this.session.ready;
      this.session.statusChanged.connect((_, status) => {
        if (/restarting|dead/.test(status)) this.tell('Restarted: pictures stand still until their cells have run.', 'still');
      });
      await this.run();
      this.held = false;
    }

    // While pictures come to life the page grows: it is held at its place until all are there or the reader moves.
    keepPlace(scrolled) {
      const top = Number(sessionStorage.getItem(this.place)) || 0;
      const hold = setInterval(() => { if (this.held) scrolled.scrollTop = top; else clearInterval(hold); }, 200);
      for (const kind of ['wheel', 'keydown', 'pointerdown'])
        window.addEventListener(kind, () => { this.held = false; }, {once: true, capture: true});
      scrolled.addEventListener('scroll', () => {
        if (!this.held && this.view !== 'large') sessionStorage.setItem(this.place, Math.round(scrolled.scrollTop));
      });
    }

    async run() {
      const round = ++this.round, code = this.notebook.widgets.filter(
        cell => cell.model.type === 'code' && cell.model.sharedModel.source.trim());
      for (const [at, cell] of code.entries()) {
        this.tell(`Getting ready: ${at + 1} of ${code.length}. Pictures come to life from the top.`, 'running');
        const reply = await cells.CodeCell.execute(cell, this.session).catch(error => error);
        if (round !== this.round) return;
        if (reply && reply.content && reply.content.status === 'ok') continue;
        this.held = false;
        this.tell('A cell could not run: its message stands below it.', 'stopped');
        cell.node.scrollIntoView({block: 'center'});
        return;
      }
      this.panel.context.model.dirty = false;  // a run changes nothing that would have to be saved
      this.tell('Ready.', 'live');
    }

    async again() {
      this.round += 1;
      this.tell('Getting ready ...', 'running');
      await this.session.restartKernel();
      await this.run();
    }

    tell(words, state) {
      this.told = words;
      this.state = state;
      this.panel.node.dataset.lesson = state;
      strip.show();
    }

    look(view) {
      this.view = view;
      sessionStorage.setItem('lesson view', view);
      if (!beside) return;
      beside.large.leave(this);
      if (view === 'large') beside.large.enter(this);
      strip.show();
    }
  }

  const strip = {
    node: document.createElement('div'),
    lesson: null,
    build() {
      this.node.className = 'sl-strip';
      this.node.setAttribute('role', 'region');
      this.node.setAttribute('aria-label', 'Lesson');
      this.node.innerHTML = '<span role="status"></span><span class="sl-stop"></span>' +
        '<button type="button" data-do="again">Run again</button><span role="group" aria-label="View">' +
        Object.entries(VIEWS).map(([view, words]) => `<button type="button" data-view="${view}">${words}</button>`).join('') +
        '</span>';
      this.node.addEventListener('click', event => {
        const {view, do: act} = event.target.dataset;
        if (view) this.lesson.look(view);
        if (act === 'again') this.lesson.again();
      });
      document.body.append(this.node);
    },
    show() {
      const lesson = this.lesson;
      this.node.hidden = !lesson;
      document.body.dataset.view = lesson ? lesson.view : 'code';
      if (!lesson) return;
      const status = this.node.querySelector('[role=status]');
      if (status.textContent !== lesson.told) status.textContent = lesson.told;
      for (const button of this.node.querySelectorAll('[data-view]'))
        button.setAttribute('aria-pressed', button.dataset.view === lesson.view);
    },
  };

  function activate(app) {
    const look = document.createElement('link');
    look.rel = 'stylesheet';
    look.href = `${FOLDER}lesson.css`;
    document.head.append(look);
    strip.build();
    const lessons = new WeakMap();
    const follow = async () => {
      beside = beside || Object.fromEntries(await Promise.all(['tasks', 'large', 'larger'].map(
        async name => [name, await import(`${FOLDER}${name}.js`)])));
      const panel = app.shell.currentWidget;
      const isLesson = panel && panel.sessionContext && panel.content.widgets && LESSON.test(panel.context.path);
      const known = isLesson && lessons.get(panel);
      if (strip.lesson && strip.lesson.panel !== panel) beside.large.leave(strip.lesson);
      strip.lesson = isLesson ? known || new Lesson(panel) : null;
      strip.show();
      if (!isLesson || known) return;
      lessons.set(panel, strip.lesson);
      await strip.lesson.open();
      if (strip.lesson.view === 'large') beside.large.enter(strip.lesson);
    };
    app.shell.currentChanged.connect(follow);
    // outside its code view no key and no click changes a lesson
    const guarded = event => document.body.dataset.view !== 'code' && event.target.closest('.jp-Notebook');
    window.addEventListener('focusin', event => {
      event.target.toggleAttribute('data-lm-suppress-shortcuts', Boolean(guarded(event)));
    }, true);
    window.addEventListener('dblclick', event => { if (guarded(event)) event.stopPropagation(); }, true);
    follow();
  }

  startKernel();
  window._JUPYTERLAB = window._JUPYTERLAB || {};
  window._JUPYTERLAB['solarlib-lessons'] = {
    init: async scope => {
      const versions = scope['@jupyterlab/cells'];
      cells = (await versions[Object.keys(versions)[0]].get())();
    },
    get: async () => () => ({id: 'solarlib-lessons:plugin', autoStart: true, activate}),
  };
})();

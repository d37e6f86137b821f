// Shows one form and passes on what is typed and pressed. What it means is decided by the kernel.
// State from the kernel: face (what there is to fill in), values, notes (beside fields), boards, clocks, said (last word).

const WAIT_MS = 400; // after the last key of a field, before it is passed on

const minutes = (ms) => {
  const seconds = Math.max(0, Math.round(ms / 1000));
  const m = Math.floor(seconds / 60);
  return m >= 60
    ? `${Math.floor(m / 60)} h ${m % 60} min`
    : m >= 10
      ? `${m} min`
      : `${m} min ${String(seconds % 60).padStart(2, "0")} s`;
};

const hour = (ms) => new Date(ms).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });

// The words of a clock, and how urgent they are.
const clockWords = (clock, now) => {
  if (!clock.start) return ["", clock.idle || "Not started."];
  if (clock.stop) return ["", `Ran for ${minutes(clock.stop - clock.start)}.`];
  const run = `Running for ${minutes(now - clock.start)}, since ${hour(clock.start)}.`;
  if (!clock.until) return ["", run];
  if (now >= clock.until) return ["over", `Pot life over since ${minutes(now - clock.until)}: if it strings or warms, do not pour it. ${run}`];
  const left = `${minutes(clock.until - now)} left, until about ${hour(clock.until)}.`;
  if (now >= clock.warn) return ["warn", `Three quarters of the pot life are over: pour now. ${left}`];
  return ["", `${left} ${run}`];
};

class Form extends Drawing {
  constructor(model, el) {
    super();
    this.model = model;
    this.uid = Math.random().toString(36).slice(2, 9);
    this.sent = 0;
    this.heard = 0;
    this.pending = new Map(); // field -> number of the message that first carried its newest text
    this.passed = new Map(); // field -> that text
    this.timers = new Map();
    this.inputs = new Map();
    this.root = make("section", { class: "castlab-box castlab-form", "data-lm-suppress-shortcuts": "true" });
    el.append(this.root);
    this.listeners = [
      ["change:face", () => this.draw()],
      ["change:values", () => this.fill()],
      ["change:notes", () => this.annotate()],
      ["change:boards", () => this.post()],
      ["change:ghosts", () => this.haunt()],
      ["change:clocks", () => this.tick(true)],
      ["change:said", () => this.say()],
      ["change:kept", () => this.keep()],
      ["msg:custom", (message) => this.hear(message)],
    ];
    for (const [event, what] of this.listeners) model.on(event, what);
    this.draw();
    this.ticking = setInterval(() => this.tick(false), 1000);
    this.root.addEventListener("keydown", (event) => this.key(event));
    if (Date.now() - model.get("born") < 20000) this.begin();
  }

  stop() {
    clearInterval(this.ticking);
    for (const timer of this.timers.values()) clearTimeout(timer);
    for (const [event, what] of this.listeners) this.model.off(event, what);
  }

  // A form that was just made takes the cursor, unless someone is typing elsewhere.
  begin() {
    if (!this.model.get("face").first) return;
    let tries = 0;
    const settle = setInterval(() => {
      const busy = document.activeElement?.closest("input, textarea, select, .cm-editor, .castlab-form");
      if (++tries > 12 || busy) return clearInterval(settle);
      this.focus(this.model.get("face").first);
    }, 250);
  }

  // --- drawing -------------------------------------------------------------------------------------------

  draw() {
    const face = this.model.get("face");
    const opened = new Set([...this.root.querySelectorAll("details[open]")].map((d) => d.dataset.id));
    const active = this.root.contains(document.activeElement) ? document.activeElement : null;
    const { key, press } = active?.dataset || {};
    const clock = active?.closest("[data-clock]")?.dataset.clock;
    const caret = active?.type === "text" ? [active.selectionStart, active.selectionEnd] : null;
    const unheard = new Map([...this.inputs].filter(([name]) => this.unheard(name)).map(([name, control]) => [name, control.value]));
    this.inputs.clear();
    this.root.replaceChildren();
    const title = `${this.uid}-title`;
    this.root.setAttribute("aria-labelledby", title);
    this.root.append(make("h3", { id: title, text: face.title }));
    if (face.lead) this.root.append(make("p", { class: "lead", text: face.lead }));
    if (face.restored) this.root.append(this.restored(face.restored));
    for (const section of face.sections || []) this.root.append(this.section(section, opened));
    this.root.append(make("div", { class: "actions" }, ...(face.actions || []).map((a) => this.button(a))));
    this.status = make("div", { class: "said", role: "status", "aria-live": "polite", "aria-atomic": "true", tabindex: "-1" });
    this.alarm = make("div", { class: "unseen", role: "alert" });
    this.foot = make("p", { class: "kept" });
    this.root.append(this.status, this.alarm, this.foot);
    for (const [name, text] of unheard) if (this.inputs.has(name) && text !== undefined) this.inputs.get(name).value = text;
    this.fill();
    this.haunt();
    this.annotate();
    this.post();
    this.tick(true);
    this.say();
    this.keep();
    if (!active) return;
    const target = this.inputs.has(key) || key?.startsWith("pick:") ? this.root.querySelector(`[data-key="${CSS.escape(key)}"]`) : this.root.querySelector(`[data-press="${CSS.escape(press || "")}"]`);
    const holder = clock && this.root.querySelector(`[data-clock="${clock}"]`);
    const next = target || (holder && (holder.querySelector("button") || this.after(holder)));
    if (next) next.focus({ preventScroll: true });
    else this.status.focus(); // all of it is saved: what was saved is where the person stands
    if (caret && next?.type === "text") next.setSelectionRange(...caret);
  }

  // Whether the kernel does not know the newest text of a field yet.
  unheard(key) {
    return this.timers.has(key) || this.pending.get(key) > this.heard;
  }

  haunt() {
    const ghosts = this.model.get("ghosts");
    for (const [key, control] of this.inputs) {
      if (key.includes("/") && control.tagName === "INPUT") control.placeholder = ghosts[key] || "";
    }
  }

  // --- what the kernel says ------------------------------------------------------------------------------

  fill() {
    const values = this.model.get("values");
    for (const [key, control] of this.inputs) {
      if (this.unheard(key)) continue;
      const value = values[key] ?? "";
      if (control.classList.contains("radios")) {
        for (const box of control.querySelectorAll("input")) box.checked = box.value === value && value !== "";
      } else if (control.value !== value) {
        control.value = value;
        if (control !== document.activeElement) control.scrollLeft = control.scrollWidth; // of a date, the time is what counts
      }
    }
  }

  annotate() {
    const notes = this.model.get("notes");
    for (const holder of this.root.querySelectorAll("[data-field]")) {
      const key = holder.dataset.field;
      const note = notes[key];
      const line = holder.querySelector(".note");
      const text = note ? `${{ wrong: "Not usable: ", care: "Look again: ", changed: "Changed. " }[note.tone] || ""}${note.text}` : "";
      if (line && line.textContent !== text) line.textContent = text;
      if (line) line.dataset.tone = note ? note.tone : "";
      const control = this.inputs.get(key);
      if (control) control.setAttribute("aria-invalid", note?.tone === "wrong" ? "true" : "false");
    }
  }

  post() {
    const boards = this.model.get("boards");
    for (const line of this.root.querySelectorAll("[data-board]")) {
      const board = boards[line.dataset.board] || {};
      if (line.textContent !== (board.text || "")) line.textContent = board.text || "";
      line.dataset.tone = board.tone || "";
    }
  }

  tick(redraw) {
    const clocks = this.model.get("clocks");
    for (const holder of this.root.querySelectorAll("[data-clock]")) {
      const clock = clocks[holder.dataset.clock] || {};
      const [tone, words] = clockWords(clock, Date.now());
      holder.querySelector(".time").textContent = words;
      if (tone && tone !== holder.dataset.tone) this.alarm.textContent = words;
      holder.dataset.tone = tone;
      holder.querySelector(".basis").textContent = clock.basis || "";
      if (!redraw) continue;
      const held = holder.contains(document.activeElement);
      holder.querySelector(".buttons").replaceChildren(...(clock.buttons || []).map((b) => this.button(b)));
      if (held) (holder.querySelector("button") || this.after(holder))?.focus();
    }
  }

  after(holder) {
    return this.stops().find((stop) => holder.compareDocumentPosition(stop) & Node.DOCUMENT_POSITION_FOLLOWING);
  }

  say() {
    const said = this.model.get("said");
    this.status.dataset.tone = said.tone || "";
    const items = (said.items || []).map((text) => make("li", { text }));
    this.status.replaceChildren(...(said.text ? [make("p", { text: said.text })] : []), ...(items.length ? [make("ul", {}, ...items)] : []), ...(said.actions || []).map((a) => this.button(a)));
  }

  keep(deaf = false) {
    this.foot.textContent = deaf
      ? "Not stored: the notebook's kernel does not answer. If it was restarted, run this cell again; what was stored before is restored then."
      : this.model.get("kept");
    this.foot.dataset.tone = deaf ? "wrong" : "";
  }

  hear(message) {
    if (message.view === this.uid) {
      this.heard = Math.max(this.heard, message.heard);
      clearTimeout(this.deaf);
      this.keep();
      for (const button of this.root.querySelectorAll("button[aria-busy]")) this.free(button);
      this.fill();
    }
    if (message.focus) this.focus(message.focus);
  }

  // --- what the person does ------------------------------------------------------------------------------

  typed(key, control, wait) {
    clearTimeout(this.timers.get(key));
    const send = () => {
      this.timers.delete(key);
      this.pass(key, control.value);
    };
    if (wait) this.timers.set(key, setTimeout(send, WAIT_MS));
    else send();
  }

  flush() {
    for (const [key, timer] of [...this.timers]) {
      clearTimeout(timer);
      this.timers.delete(key);
      this.pass(key, this.inputs.get(key).value);
    }
  }

  pass(key, value) {
    if (this.passed.get(key) === value && this.unheard(key)) return;
    this.passed.set(key, value);
    this.pending.set(key, this.sent + 1);
    this.send({ do: "change" });
  }

  press(id, button = null) {
    if (button?.hasAttribute("aria-busy")) return;
    this.flush();
    if (button) {
      button.setAttribute("aria-busy", "true");
      button.setAttribute("aria-disabled", "true");
    }
    this.send({ do: "press", button: id, at: Date.now() });
  }

  free(button) {
    button.removeAttribute("aria-busy");
    button.removeAttribute("aria-disabled");
  }

  // Every message carries all that the kernel has not confirmed yet: it may take messages in another order.
  send(message, buffers = undefined) {
    this.sent += 1;
    const changes = Object.fromEntries([...this.pending].filter(([, number]) => number > this.heard).map(([key, number]) => [key, [number, this.passed.get(key)]]));
    clearTimeout(this.deaf);
    this.deaf = setTimeout(() => {
      this.keep(true);
      for (const button of this.root.querySelectorAll("button[aria-busy]")) this.free(button);
    }, DEAF_MS);
    this.model.send({ ...message, changes, view: this.uid, number: this.sent }, undefined, buffers);
  }

  // A photo travels in pieces: one message to the kernel is limited in size.
  async carry(file) {
    if (!file) return;
    this.flush(); // its scale may have been typed just now
    const piece = 1 << 20;
    const pieces = Math.max(1, Math.ceil(file.size / piece));
    for (let i = 0; i < pieces; i += 1) {
      const part = await file.slice(i * piece, (i + 1) * piece).arrayBuffer();
      this.send({ do: "photo", name: file.name, piece: i, pieces }, [new DataView(part)]);
    }
  }

  stops() {
    const all = this.root.querySelectorAll("input, select, textarea, button.main");
    return [...all].filter((n) => n.offsetParent !== null && !n.disabled && (n.type !== "radio" || n.checked || n === n.closest(".radios").querySelector("input")) && n.type !== "file");
  }

  key(event) {
    const here = event.target;
    if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) {
      event.preventDefault();
      const main = [...this.root.querySelectorAll("button.main")].filter((b) => !b.disabled).at(-1);
      if (main) this.press(main.dataset.press, main);
      return;
    }
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "s") {
      event.preventDefault(); // nothing to do: every change is stored already
      this.flush();
      return;
    }
    if (event.key !== "Enter" || event.shiftKey || here.tagName === "BUTTON" || here.tagName === "SUMMARY") return;
    if (!["INPUT", "SELECT", "TEXTAREA"].includes(here.tagName)) return;
    event.preventDefault();
    if (this.timers.has(here.dataset.key)) this.typed(here.dataset.key, here, false);
    const stops = this.stops();
    const column = here.dataset.key?.includes("/") ? here.dataset.key.split("/")[0] : null;
    const later = stops.slice(stops.findIndex((n) => n === here || (n.name && n.name === here.name)) + 1);
    const next = later.find((n) => (column === null ? n.name !== here.name || !here.name : n.dataset.key?.split("/")[0] === column || n.tagName === "BUTTON"));
    next?.focus();
    if (next?.select) next.select();
  }

  focus(key) {
    const control = this.inputs.get(key);
    const target = control?.classList.contains("radios") ? control.querySelector("input") : control || this.root.querySelector(`[data-press="${key}"]`);
    const fold = target?.closest("details");
    if (fold) fold.open = true;
    target?.scrollIntoView({ block: "center" });
    target?.focus({ preventScroll: true });
  }
}

export default {
  render({ model, el }) {
    const form = new Form(model, el);
    return () => form.stop();
  },
};

// Shows a photo with circles and passes on what is marked. What counts is decided by the kernel.

const DRAG_PX = 5; // less than this is a click
const SVG = "http://www.w3.org/2000/svg";

const draw = (tag, props = {}) => {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(props)) node.setAttribute(name, value);
  return node;
};

const KEYS =
  "Arrow keys move the cursor, with Shift farther; plus and minus change its size; Enter marks a bubble there; " +
  "Delete removes the circle under it or the chosen one; N and P choose the next and previous circle; Ctrl+Z takes back.";

class View {
  constructor(model, el) {
    this.model = model;
    [this.left, this.top, this.width, this.height] = model.get("box");
    this.at = { x: this.left + this.width / 2, y: this.top + this.height / 2, d: model.get("usual_mm") };
    this.zoom = 1;
    this.chosen = null;
    this.queue = [];
    this.sent = 0;
    this.busy = false;
    this.photo = URL.createObjectURL(new Blob([model.get("picture")], { type: "image/jpeg" }));
    this.build(el);
    this.listeners = [
      ["change:circles", () => this.circles()],
      ["change:counted", () => this.count()],
      ["change:said", () => this.say()],
      ["msg:custom", (message) => this.heard(message)],
    ];
    for (const [event, what] of this.listeners) model.on(event, what);
    this.circles();
    this.count();
    this.say();
    this.cursor();
  }

  stop() {
    clearTimeout(this.deaf);
    URL.revokeObjectURL(this.photo);
    for (const [event, what] of this.listeners) this.model.off(event, what);
  }

  build(el) {
    const uid = Math.random().toString(36).slice(2, 9);
    const button = (id, text, what, more = {}) => make("button", { type: "button", "data-do": id, text, onclick: what, ...more });
    this.svg = draw("svg", { viewBox: `${this.left} ${this.top} ${this.width} ${this.height}`, "aria-hidden": "true" });
    this.svg.append(draw("image", { href: this.photo, x: this.left, y: this.top, width: this.width, height: this.height, preserveAspectRatio: "none" }));
    this.marks = draw("g");
    this.cross = draw("g", { class: "cursor" });
    this.svg.append(this.marks, this.cross);
    this.pane = make("div", { class: "pane", tabindex: "0", role: "application", "aria-label": "Photo with circles round bubbles", "aria-describedby": `${uid}-keys` }, this.svg);
    this.removing = button("remove", "Remove circle", () => this.remove());
    this.counted = make("p", { class: "counted", role: "status", "aria-live": "polite" });
    this.said = make("p", { class: "said", role: "status", "aria-live": "polite" });
    this.where = make("span", { class: "where" });
    const title = make("h3", { id: `${uid}-title`, text: this.model.get("title") });
    const root = make(
      "section",
      { class: "castlab-box castlab-marking", "aria-labelledby": `${uid}-title`, "data-lm-suppress-shortcuts": "true" },
      title,
      make("p", { class: "lead", text: "Drag from a bubble's middle to its rim to mark it, or click to mark one of the cursor's size. Click a circle to choose it, then remove it." }),
      make("p", { class: "legend" }, this.sample(false), make("span", { text: "found" }), this.sample(true), make("span", { text: "added by hand" })),
      this.counted,
      make(
        "div",
        { class: "tools", role: "group", "aria-label": "Marking" },
        this.removing,
        button("undo", "Take back", () => this.send({ do: "undo" })),
        button("smaller", "Smaller", () => this.resize(1 / 1.15), { "aria-label": "Smaller cursor" }),
        button("larger", "Larger", () => this.resize(1.15), { "aria-label": "Larger cursor" }),
        button("in", "Zoom in", () => this.enlarge(1.5)),
        button("out", "Zoom out", () => this.enlarge(1 / 1.5)),
        this.where,
      ),
      this.pane,
      make("p", { class: "keys", id: `${uid}-keys`, text: KEYS }),
      make("div", { class: "tools" }, button("save", "Save the count", () => this.send({ do: "save" }), { class: "main" })),
      this.said,
    );
    el.append(root);
    this.pane.addEventListener("keydown", (event) => this.key(event));
    this.svg.addEventListener("pointerdown", (event) => this.down(event));
    this.svg.addEventListener("pointermove", (event) => this.move(event));
    this.svg.addEventListener("pointerup", (event) => this.up(event));
    this.svg.addEventListener("pointercancel", () => this.drop());
  }

  sample(hand) {
    const svg = draw("svg", { viewBox: "0 0 26 26", width: 26, height: 26, "aria-hidden": "true" });
    svg.append(...this.ring({ x: 13, y: 13, d: 20, hand }));
    return svg;
  }

  // A dark line under a light one, so that a circle shows on any ground; by hand it is dashed.
  ring(circle, more = "") {
    const kind = `${circle.hand ? "hand" : "found"}${more}`;
    const place = { cx: circle.x, cy: circle.y, r: circle.d / 2 };
    return [draw("circle", { ...place, class: `under ${kind}` }), draw("circle", { ...place, class: `over ${kind}` })];
  }

  circles() {
    const now = this.model.get("circles");
    if (!now.some((c) => c.n === this.chosen)) this.chosen = null;
    this.marks.replaceChildren(...now.flatMap((c) => this.ring(c, c.n === this.chosen ? " chosen" : "")));
    this.removing.disabled = this.target() === null;
  }

  count() {
    this.counted.textContent = this.model.get("counted");
  }

  say(text = null) {
    const said = this.model.get("said");
    this.said.textContent = text ?? said.text ?? "";
    this.said.dataset.tone = text ? "wrong" : said.tone || "";
  }

  cursor() {
    const { x, y, d } = this.at;
    const arm = d / 2 + this.width / 60;
    this.cross.replaceChildren();
    // on a circle only the arms are shown, so that its line can be seen
    const onCircle = this.model.get("circles").some((c) => Math.hypot(c.x - x, c.y - y) < d / 20 && Math.abs(c.d - d) < d / 20);
    for (const kind of ["under", "over"]) {
      if (!onCircle) this.cross.append(draw("circle", { cx: x, cy: y, r: d / 2, class: kind }));
      this.cross.append(draw("path", { d: `M${x - arm} ${y}H${x - d / 2}M${x + d / 2} ${y}H${x + arm}M${x} ${y - arm}V${y - d / 2}M${x} ${y + d / 2}V${y + arm}`, class: kind }));
    }
    this.where.textContent = `cursor ${d.toPrecision(2)} mm at ${x.toFixed(1)}, ${y.toFixed(1)} mm`;
    this.removing.disabled = this.target() === null;
  }

  // The smallest circle about a point; a small one can be hit a little beside it.
  hit(x, y) {
    const slack = (8 * this.width) / (this.svg.getBoundingClientRect().width || this.width);
    const near = this.model.get("circles").filter((c) => Math.hypot(c.x - x, c.y - y) <= Math.max(c.d / 2, slack));
    return near.sort((a, b) => a.d - b.d)[0] || null;
  }

  target() {
    return this.chosen ?? this.hit(this.at.x, this.at.y)?.n ?? null;
  }

  choose(circle) {
    this.chosen = circle ? circle.n : null;
    if (circle) this.at = { x: circle.x, y: circle.y, d: circle.d };
    this.circles();
    this.cursor();
    if (circle) this.said.textContent = `Chosen: a circle of ${circle.d.toPrecision(2)} mm, ${circle.hand ? "added by hand" : "found"}.`;
  }

  add() {
    this.chosen = null;
    this.send({ do: "add", x_mm: this.at.x, y_mm: this.at.y, diameter_mm: this.at.d });
  }

  remove() {
    const number = this.target();
    this.chosen = null;
    if (number === null) this.say("No circle is chosen or under the cursor.");
    else this.send({ do: "remove", number });
    this.pane.focus({ preventScroll: true });
  }

  resize(factor) {
    const most = Math.min(this.width, this.height);
    this.at.d = Math.min(most, Math.max(most / 500, this.at.d * factor));
    this.cursor();
  }

  enlarge(factor) {
    this.zoom = Math.min(12, Math.max(1, this.zoom * factor));
    this.svg.style.width = `${100 * this.zoom}%`;
    this.reveal();
  }

  reveal() {
    const scale = this.svg.getBoundingClientRect().width / this.width;
    const [x, y] = [(this.at.x - this.left) * scale, (this.at.y - this.top) * scale];
    const { scrollLeft, scrollTop, clientWidth, clientHeight } = this.pane;
    if (x < scrollLeft + 40 || x > scrollLeft + clientWidth - 40) this.pane.scrollLeft = x - clientWidth / 2;
    if (y < scrollTop + 40 || y > scrollTop + clientHeight - 40) this.pane.scrollTop = y - clientHeight / 2;
  }

  key(event) {
    const step = (event.shiftKey ? 10 : 1) * Math.max(this.at.d / 8, this.width / (400 * this.zoom));
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const lower = event.key.toLowerCase();
    if (ways[event.key]) {
      const [dx, dy] = ways[event.key];
      this.chosen = null;
      this.at.x = Math.min(this.left + this.width, Math.max(this.left, this.at.x + dx * step));
      this.at.y = Math.min(this.top + this.height, Math.max(this.top, this.at.y + dy * step));
      this.circles();
      this.cursor();
      this.reveal();
    } else if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) this.send({ do: "save" });
    else if (event.key === "Enter" && !event.shiftKey) this.add();
    else if (event.key === "Delete" || event.key === "Backspace") this.remove();
    else if (event.key === "+" || event.key === "=") this.resize(1.15);
    else if (event.key === "-") this.resize(1 / 1.15);
    else if (lower === "z" && (event.ctrlKey || event.metaKey)) this.send({ do: "undo" });
    else if (event.key === "Escape") this.choose(null);
    else if ((lower === "n" || lower === "p") && !event.ctrlKey && !event.metaKey) {
      const now = this.model.get("circles");
      const place = now.findIndex((c) => c.n === this.chosen);
      const next = lower === "n" ? place + 1 : (place < 0 ? 0 : place) - 1;
      if (now.length) this.choose(now[(next + now.length) % now.length]);
      this.reveal();
    } else return;
    event.preventDefault();
    event.stopPropagation();
  }

  point(event) {
    const place = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.svg.getScreenCTM().inverse());
    return { x: place.x, y: place.y };
  }

  down(event) {
    if (event.button) return;
    this.pane.focus({ preventScroll: true });
    this.svg.setPointerCapture(event.pointerId);
    this.pressed = { ...this.point(event), left: event.clientX, top: event.clientY };
    event.preventDefault();
  }

  move(event) {
    if (!this.pressed) return;
    const { x, y, left, top } = this.pressed;
    if (Math.hypot(event.clientX - left, event.clientY - top) < DRAG_PX && !this.pressed.dragged) return;
    this.pressed.dragged = true;
    const rim = this.point(event);
    this.at = { x, y, d: Math.max(2 * Math.hypot(rim.x - x, rim.y - y), this.width / 2000) };
    this.chosen = null;
    this.cursor();
  }

  up(event) {
    if (!this.pressed) return;
    const { x, y, dragged } = this.pressed;
    this.pressed = null;
    if (dragged) return this.add();
    const circle = this.hit(x, y);
    if (circle) return this.choose(circle);
    this.at = { ...this.at, x, y };
    this.cursor();
    return this.add();
  }

  drop() {
    this.pressed = null;
  }

  // One message at a time, so that the kernel takes them in the order in which they were made.
  send(message) {
    this.queue.push(message);
    if (!this.busy) this.next();
  }

  next() {
    const message = this.queue[0];
    this.busy = message !== undefined;
    clearTimeout(this.deaf);
    if (!this.busy) return;
    this.sent += 1;
    this.deaf = setTimeout(() => this.say("Not stored: the notebook's kernel does not answer. If it was restarted, run this cell again; what was stored before is restored then."), DEAF_MS);
    this.model.send({ ...message, number_of_message: this.sent });
  }

  heard(message) {
    if (message.heard !== this.sent || !this.busy) return;
    this.queue.shift();
    this.say();
    this.circles();
    this.cursor();
    this.next();
  }
}

export default {
  render({ model, el }) {
    const view = new View(model, el);
    return () => view.stop();
  },
};

// The parts of a form as they stand on the page. What a part is comes from the kernel; what is done with it, from `Form`.

class Drawing {
  restored(told) {
    return make("p", { class: "restored", role: "status" }, make("span", { text: told.text }), ...told.actions.map((a) => this.button(a)));
  }

  section(section, opened) {
    const parts = (section.parts || []).map((part) => this.part(part));
    const body = make("div", { class: section.wide ? "stack" : "fields" }, ...parts);
    if (!section.fold) {
      const id = `${this.uid}-section-${section.id}`;
      return make("div", { role: "group", "aria-labelledby": section.title ? id : null, class: "section" }, section.title ? make("h4", { id, text: section.title }) : null, body);
    }
    const open = opened.has(section.id) || section.open;
    return make("details", { class: "section", "data-id": section.id, open }, make("summary", {}, make("span", { text: section.title }), make("span", { class: "filled", "data-board": `fold:${section.id}` })), body);
  }

  part(part) {
    if (part.kind === "field") return this.field(part);
    if (part.kind === "grid") return this.grid(part);
    if (part.kind === "picks") return this.picks(part);
    if (part.kind === "clock") return this.clock(part);
    if (part.kind === "button") return this.button(part);
    if (part.kind === "photo") return this.photo(part);
    if (part.kind === "words") return make(part.items ? "ul" : "p", { class: "words" }, ...(part.items || [part.text]).map((t) => (part.items ? make("li", { text: t }) : document.createTextNode(t))));
    return make("p", { class: "board", "data-board": part.id, role: "status", "aria-live": "polite" });
  }

  field(field) {
    const id = `${this.uid}-${field.key}`;
    const unit = field.unit ? make("span", { class: "unit", id: `${id}-unit`, text: field.unit }) : null;
    const label = make(field.options && field.input !== "choice" ? "span" : "label", { id: `${id}-label`, for: id, text: field.label });
    const hint = field.hint ? make("span", { class: "hint", id: `${id}-hint`, text: field.hint }) : null;
    const note = make("span", { class: "note", id: `${id}-note`, "aria-live": "polite" });
    const control = this.control(field, id, hint);
    const now = field.input === "moment" ? this.button({ id: `now:${field.key}`, label: "Now", small: true, about: `${field.label}: now` }) : null;
    const row = make("div", { class: "control" }, control, unit, now);
    return make("div", { class: `field ${field.input || "text"}`, "data-field": field.key }, label, row, hint, note);
  }

  control(field, id, hint, name = null) {
    const about = [field.unit ? `${id}-unit` : "", hint ? `${id}-hint` : "", `${id}-note`].filter(Boolean).join(" ");
    const shared = { id, "data-key": field.key, "aria-describedby": about, "aria-label": name, disabled: field.shut };
    const typed = (event) => this.typed(field.key, event.target, true);
    const done = (event) => this.typed(field.key, event.target, false);
    if (field.input === "grade" || field.input === "yesno") return this.radios(field, id, about);
    let control;
    if (field.input === "choice") {
      const options = (field.options || []).map((o) => make("option", { value: o.value, text: o.label }));
      control = make("select", { ...shared, onchange: done }, ...options);
    } else if (field.input === "long") {
      control = make("textarea", { ...shared, rows: 2, oninput: typed, onchange: done });
    } else {
      const list = field.suggest?.length ? `${id}-list` : null;
      control = make("input", { ...shared, type: "text", autocomplete: "off", spellcheck: "false", list, placeholder: field.ghost, oninput: typed, onchange: done });
      if (list) this.root.append(make("datalist", { id: list }, ...field.suggest.map((value) => make("option", { value }))));
    }
    this.inputs.set(field.key, control);
    return control;
  }

  radios(field, id, about) {
    const group = make("div", { class: "radios", role: "radiogroup", "aria-labelledby": `${id}-label`, "aria-describedby": about, "data-key": field.key });
    for (const option of field.options) {
      const one = `${id}-${option.value || "none"}`;
      const words = option.words ? make("span", { class: "words", text: option.words }) : null;
      const picture = option.picture ? make("span", { class: "picture", "aria-hidden": "true" }) : null;
      if (picture) picture.innerHTML = option.picture; // a drawing of castlab's own
      const box = make("input", { type: "radio", id: one, name: id, value: option.value, "data-key": field.key, onchange: () => this.pass(field.key, option.value) });
      group.append(make("label", { for: one, class: "radio" }, picture, box, make("span", { text: option.label }), words));
    }
    this.inputs.set(field.key, group);
    return group;
  }

  grid(grid) {
    const head = make("tr", {}, make("th", { scope: "col", text: grid.corner || "" }), ...grid.columns.map((c) => make("th", { scope: "col", text: c.label })));
    const rows = grid.rows.map((row) => {
      const name = make("th", { scope: "row" }, make("span", { text: row.label }), row.unit ? make("span", { class: "unit", text: row.unit }) : null);
      const cells = grid.columns.map((column) => {
        const key = `${column.id}/${row.key}`;
        const id = `${this.uid}-${key}`;
        if (row.only && !row.only.includes(column.id)) return make("td", { class: "none", text: "" });
        const field = { ...row, key, shut: column.shut, unit: null };
        const control = this.control(field, id, null, `${row.label}${row.unit ? `, ${row.unit}` : ""}: ${column.label}`);
        const now = row.input === "moment" && !column.shut ? this.button({ id: `now:${key}`, label: "Now", small: true, about: `${row.label}, ${column.label}: now` }) : null;
        return make("td", { "data-field": key }, make("div", { class: "control" }, control, now), make("span", { class: "note", id: `${id}-note`, "aria-live": "polite" }));
      });
      return make("tr", {}, name, ...cells);
    });
    const feet = grid.columns.some((c) => c.foot)
      ? [make("tr", {}, make("th", { scope: "row", text: grid.footer || "" }), ...grid.columns.map((c) => make("td", {}, c.foot ? (c.foot.text ? make("span", { class: "done", text: c.foot.text }) : this.button(c.foot)) : null)))]
      : [];
    return make("div", { class: "scroll", tabindex: "-1" }, make("table", {}, make("caption", { text: grid.caption }), make("thead", {}, head), make("tbody", {}, ...rows, ...feet)));
  }

  picks(part) {
    const id = `${this.uid}-pick-${part.id}`;
    const boxes = part.options.map((o) => {
      const one = `${id}-${o.value}`;
      const box = make("input", { type: "checkbox", id: one, checked: o.on, "data-key": `pick:${o.value}`, onchange: (e) => this.press(`${e.target.checked ? "pick" : "unpick"}:${o.value}`) });
      return make("label", { class: "radio", for: one }, box, make("span", { text: o.label }));
    });
    return make("div", { class: "field picks" }, make("span", { id: `${id}-label`, text: part.label }), make("div", { class: "radios", role: "group", "aria-labelledby": `${id}-label` }, ...boxes));
  }

  clock(part) {
    return make("div", { class: "clock", "data-clock": part.id, role: "group", "aria-label": part.label }, make("span", { class: "name", text: part.label }), make("span", { class: "time", role: "timer" }), make("span", { class: "buttons" }), make("span", { class: "basis" }));
  }

  photo(part) {
    const id = `${this.uid}-photo`;
    const input = make("input", { type: "file", id, accept: "image/*", "data-key": "photo", "aria-describedby": `${id}-note`, onclick: (e) => { e.target.value = ""; }, onchange: (e) => this.carry(e.target.files[0]) });
    return make("div", { class: "field" }, make("label", { for: id, text: part.label }), make("div", { class: "control" }, input), make("p", { class: "board", id: `${id}-note`, "data-board": part.id, role: "status" }));
  }

  button(button) {
    const kind = `${button.main ? "main" : ""} ${button.small ? "small" : ""}`.trim();
    return make("button", { type: "button", class: kind || null, "data-press": button.id, "aria-label": button.about, disabled: button.shut, text: button.label, onclick: (e) => this.press(button.id, e.currentTarget) });
  }
}

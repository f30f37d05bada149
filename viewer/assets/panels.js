// Panels and modes under the plane's tools, drawn from the plain rows that Python gives.
(() => {
  "use strict";

  const byId = (id) => document.getElementById(id);
  const SLOW_MS = 90; // a slider that is being dragged speaks no oftener

  function element(name, attributes = {}, ...children) {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) {
      if (value === false || value == null) continue;
      made.setAttribute(key, value === true ? "" : value);
    }
    made.append(...children);
    return made;
  }

  function short(value) {
    const size = Math.abs(value);
    return size >= 1e4 || (size && size < 1e-2) ? value.toExponential(1) : String(Number(value.toPrecision(3)));
  }

  // At most one word every SLOW_MS, and always the last one.
  function paced(tell) {
    let timer = null;
    let last = 0;
    return (value) => {
      clearTimeout(timer);
      const wait = Math.max(0, last + SLOW_MS - performance.now());
      timer = setTimeout(() => {
        last = performance.now();
        tell(value);
      }, wait);
    };
  }

  const named = (row) => row.label || row.title;

  function slider(row, value, label) {
    return element("input", {
      type: "range", min: row.low, max: row.high, step: row.step, value, "aria-label": label,
      disabled: row.disabled,
    });
  }

  const SVG = "http://www.w3.org/2000/svg";

  function drawn(name, attributes, parent, text) {
    const made = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text != null) made.textContent = text;
    parent.append(made);
    return made;
  }

  function round(low, high, most) {
    const rough = (high - low) / most;
    const power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((m) => m * power).find((v) => v >= rough);
    const ticks = [];
    for (let k = Math.ceil(low / step); k * step <= high * (1 + 1e-12); k += 1) ticks.push(k * step);
    return ticks;
  }

  // A curve with its axes; marks are ticks along its foot.
  function curve({ x, y, marks = [], x_label, y_label }) {
    const [w, h, left, foot] = [470, 150, 52, 34];
    const root = document.createElementNS(SVG, "svg");
    for (const [k, v] of Object.entries({ viewBox: `0 0 ${w} ${h}`, width: w, height: h, role: "img" })) root.setAttribute(k, v);
    root.setAttribute("aria-label", `${y_label} against ${x_label}`);
    if (x.length < 2) return root;
    const [x0, x1] = [x[0], x[x.length - 1]];
    let [y0, y1] = [Math.min(...y), Math.max(...y)];
    if (y1 - y0 < 1e-9) [y0, y1] = [y0 - 1, y1 + 1];
    const px = (v) => left + ((w - left - 8) * (v - x0)) / (x1 - x0);
    const py = (v) => 8 + ((h - foot - 12) * (y1 - v)) / (y1 - y0);
    for (const v of round(x0, x1, 6)) {
      drawn("line", { x1: px(v), x2: px(v), y1: h - foot, y2: h - foot + 4, class: "rule" }, root);
      drawn("text", { x: px(v), y: h - foot + 16, "text-anchor": "middle" }, root, String(Number(v.toPrecision(6))));
    }
    for (const v of round(y0, y1, 3)) {
      drawn("line", { x1: left - 4, x2: left, y1: py(v), y2: py(v), class: "rule" }, root);
      drawn("text", { x: left - 7, y: py(v) + 4, "text-anchor": "end" }, root, String(Number(v.toPrecision(6))));
    }
    drawn("path", { d: `M ${left} 8 V ${h - foot} H ${w - 8}`, class: "rule" }, root);
    for (const v of marks) drawn("line", { x1: px(v), x2: px(v), y1: h - foot - 7, y2: h - foot, class: "mark" }, root);
    drawn("path", { d: x.map((v, i) => `${i ? "L" : "M"} ${px(v).toFixed(1)} ${py(y[i]).toFixed(1)}`).join(" "), class: "line" }, root);
    drawn("text", { x: (left + w) / 2, y: h - 3, "text-anchor": "middle", class: "name" }, root, x_label);
    drawn("text", { transform: `translate(11 ${(h - foot) / 2 + 4}) rotate(-90)`, "text-anchor": "middle", class: "name" }, root, y_label);
    return root;
  }

  const MAKE = {
    select(row, tell) {
      const select = element("select", { "aria-label": row.label, disabled: row.disabled });
      for (const [value, text] of row.items) select.append(new Option(text, value));
      select.value = row.value;
      select.addEventListener("change", () => tell(select.value));
      return [select];
    },
    toggle(row, tell) {
      const box = element("input", { type: "checkbox", "aria-label": row.label, disabled: row.disabled });
      box.checked = Boolean(row.value);
      box.addEventListener("change", () => tell(box.checked));
      return [box];
    },
    range(row, tell) {
      const input = slider(row, row.value, row.label);
      const shown = element("output", {}, short(Number(row.value)));
      const say = paced(tell);
      input.addEventListener("input", () => {
        shown.textContent = short(Number(input.value));
        say(Number(input.value));
      });
      return [input, shown];
    },
    span(row, tell) {
      const ends = row.value.map((v, i) => slider(row, v, `${named(row)}, ${i ? "to" : "from"}`));
      const shown = element("output");
      const write = () => { shown.textContent = ends.map((end) => short(Number(end.value))).join(" – "); };
      const say = paced(tell);
      ends.forEach((end, i) => end.addEventListener("input", () => {
        const [low, high] = ends.map((e) => Number(e.value));
        if (low > high) ends[1 - i].value = end.value;
        write();
        say(ends.map((e) => Number(e.value)));
      }));
      write();
      return [element("span", { class: "ends" }, ...ends), shown];
    },
    colour(row, tell) {
      const box = element("span", { class: "swatches", role: "radiogroup", "aria-label": named(row) });
      for (const item of row.items) {
        const [hex, name] = [item].flat(); // a colour, or a colour and what it is called
        const swatch = element("button", {
          type: "button", role: "radio", "aria-checked": String(hex === row.value),
          style: `background:${hex}`, title: name || hex, "aria-label": name || hex, disabled: row.disabled,
        });
        swatch.addEventListener("click", () => tell(hex));
        box.append(swatch);
      }
      return [box];
    },
    button(row, tell) {
      const button = element("button", { type: "button", title: row.title, disabled: row.disabled }, row.label);
      button.addEventListener("click", () => tell(true));
      return [button];
    },
    entry(row, tell) {
      const input = element("input", { type: "text", value: row.value || "", "aria-label": row.label, disabled: row.disabled });
      input.addEventListener("change", () => tell(input.value));
      return [input];
    },
    plot(row) {
      return [curve(row.value)];
    },
    text(row) {
      return [element("span", { class: "said" }, String(row.value ?? ""))];
    },
  };

  // Rows of the same line stand side by side.
  function draw(place, rows, tell) {
    const key = JSON.stringify(rows);
    if (place.dataset.key === key || place.dataset.held) return;
    place.dataset.key = key;
    const focused = place.contains(document.activeElement) && document.activeElement.getAttribute("aria-label");
    const lines = new Map();
    rows.forEach((row, i) => {
      const name = row.line || `alone ${i}`;
      if (!lines.has(name)) lines.set(name, []);
      lines.get(name).push(row);
    });
    place.replaceChildren(...[...lines.values()].map((together) => element(
      "div", { class: "line" },
      ...together.map((row) => {
        const parts = MAKE[row.kind](row, (value) => tell({ key: row.key, value }));
        const words = row.label && !["button", "text"].includes(row.kind) ? [element("span", { class: "label" }, row.label)] : [];
        // a label round a button would take its name away
        const frame = ["button", "text", "plot", "colour"].includes(row.kind) ? "div" : "label";
        return element(frame, { class: `row ${row.kind}`, title: row.title || null }, ...words, ...parts);
      }),
    )));
    if (focused) {
      const again = [...place.querySelectorAll("[aria-label]")].find((e) => e.getAttribute("aria-label") === focused);
      if (again) again.focus();
    }
  }

  // A slider that is being dragged is not drawn anew under the hand.
  function hold(place) {
    place.addEventListener("pointerdown", (event) => {
      if (event.target.type === "range") place.dataset.held = "yes";
    });
    window.addEventListener("pointerup", () => { delete place.dataset.held; });
  }

  class Panels {
    constructor(send) {
      this.send = send;
      this.open = "";
      this.bar = byId("panels");
      this.modeBar = byId("modes");
      this.strip = byId("strip");
      this.leaf = element("section", { id: "leaf", hidden: true });
      byId("tools").append(this.leaf);
      for (const place of [this.leaf, this.strip]) {
        this.quiet(place);
        hold(place);
      }
    }

    // Keys typed into a row are the row's.
    quiet(place) {
      place.addEventListener("keydown", (event) => { if (event.key !== "Escape") event.stopPropagation(); });
    }

    buttons(bar, items, pressed, choose) {
      bar.hidden = !items.length;
      const key = JSON.stringify(items.map((item) => [item.name, item.label, item.title]));
      if (bar.dataset.key !== key) {
        bar.dataset.key = key;
        bar.replaceChildren(...items.map((item) => {
          const button = element("button", { type: "button", title: item.title, "data-name": item.name }, item.label || item.name);
          button.addEventListener("click", () => choose(item.name));
          return button;
        }));
      }
      for (const button of bar.children) {
        button.setAttribute("aria-pressed", String(button.dataset.name === pressed));
      }
    }

    show(settings) {
      this.last = settings;
      const { panels = [], modes = [], mode = "" } = settings;
      if (!panels.some((panel) => panel.name === this.open)) this.open = "";
      this.buttons(this.bar, panels, this.open, (name) => {
        this.open = this.open === name ? "" : name;
        this.show(this.last);
      });
      const panel = panels.find((p) => p.name === this.open);
      this.leaf.hidden = !panel;
      if (panel) {
        if (this.leaf.dataset.of !== panel.name) delete this.leaf.dataset.key;
        this.leaf.dataset.of = panel.name;
        draw(this.leaf, panel.rows, (change) => this.send("panel", { of: panel.name, ...change }));
      }
      this.buttons(this.modeBar, modes, mode, (name) => {
        this.open = ""; // one thing at a time over the plane
        this.send("mode", name);
      });
      const on = modes.find((m) => m.name === mode);
      byId("plane").classList.toggle("has-mode", Boolean(on));
      this.strip.hidden = !on;
      if (on) {
        const words = { kind: "text", key: "", value: on.title };
        draw(this.strip, [words, ...on.rows], (change) => this.send("strip", change));
      }
    }
  }

  window.splendens = window.splendens || {};
  window.splendens.Panels = Panels;
})();

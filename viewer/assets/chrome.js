// What stands round the plane: header, ladder, foot, keys, the address. Drawn from what Python says.
(() => {
  "use strict";

  const DECADES = [
    [1e4, "1 cm"], [1e3, "1 mm"], [1e2, "100 µm"], [1e1, "10 µm"], [1, "1 µm"],
    [1e-1, "100 nm"], [1e-2, "10 nm"], [1e-3, "1 nm"],
  ];
  const TOP = Math.log10(8e3);
  const BOTTOM = Math.log10(6e-3);
  const SVG = "http://www.w3.org/2000/svg";

  const byId = (id) => document.getElementById(id);

  function length(um, digits = 3) {
    const [unit, factor] = um >= 1000 ? ["mm", 1e-3] : um >= 1 ? ["µm", 1] : ["nm", 1e3];
    return `${Number((um * factor).toPrecision(digits))} ${unit}`;
  }

  function roundBelow(value) {
    const power = 10 ** Math.floor(Math.log10(value));
    return [5, 2, 1].map((m) => m * power).find((v) => v <= value * 1.0001) || power;
  }

  function svg(name, attributes, parent) {
    const element = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    parent.append(element);
    return element;
  }

  class Chrome {
    constructor(bridge, figure) {
      this.bridge = bridge;
      this.figure = figure;
      this.serial = 0;
      this.app = byId("app");
      for (const name of ["settings", "legend", "group", "rungs", "address"]) {
        bridge.properties[name].change.connect(() => this[name]());
      }
      this.panels = new splendens.Panels((name, value) => this.send(name, value));
      this.buttons();
      this.keys();
      window.addEventListener("popstate", () => {
        this.send("back", window.location.search);
      });
      new ResizeObserver(() => this.rungs()).observe(byId("ladder"));
      this.settings();
      this.legend();
      this.group();
      this.rungs();
      this.address();
    }

    send(name, value = null) {
      this.bridge.setv({ act: { name, value, n: ++this.serial } });
    }

    // ---- header, folds, layers -----------------------------------------------------------------

    settings() {
      const s = this.bridge.settings;
      if (!s.title) return;
      document.title = s.title;
      this.app.dataset.theme = s.dark ? "dark" : "light";
      document.documentElement.dataset.theme = this.app.dataset.theme;
      this.app.classList.toggle("card-folded", !s.card_open);
      this.app.classList.toggle("tray-folded", !s.tray_open);
      this.app.classList.toggle("legend-folded", !s.legend_open);
      this.app.classList.toggle("presenting", s.present);
      byId("present").setAttribute("aria-pressed", String(s.present));
      this.app.classList.toggle("clips-folded", !(s.clips && s.clips_open));
      byId("clips-open").hidden = !s.clips;
      byId("clips-open").textContent = s.clips > 1 ? `clips (${s.clips})` : "clip";
      byId("clips-open").setAttribute("aria-pressed", String(s.clips_open));
      byId("legend").querySelector("button").setAttribute("aria-expanded", String(s.legend_open));
      byId("advice").textContent = s.advice;
      byId("advice").hidden = !s.advice;
      requestAnimationFrame(() => this.placeLegend());
      byId("run").textContent = s.run_text;
      byId("run").title = s.run_title;
      byId("newer").hidden = !s.newer;
      byId("newer").textContent = `${s.newer} is there: show`;
      byId("run").classList.toggle("warn", s.run_warn);
      this.options(byId("disc"), s.discs, s.disc);
      byId("disc").disabled = s.discs[0].items.length < 2;
      byId("colour").closest("label").hidden = !s.colours.some((group) => group.items.length);
      this.options(byId("colour"), s.colours, s.colour);
      for (const button of document.querySelectorAll("[data-layer]")) {
        button.setAttribute("aria-pressed", String(s.layers.split(".").includes(button.dataset.layer)));
      }
      this.panels.show(s);
      byId("fold-card").setAttribute("aria-expanded", String(s.card_open));
    }

    options(select, groups, chosen) {
      const key = JSON.stringify(groups);
      if (select.dataset.key !== key) {
        select.dataset.key = key;
        select.replaceChildren(...groups.map((group) => {
          const box = group.label ? document.createElement("optgroup") : document.createDocumentFragment();
          if (group.label) box.label = group.label;
          for (const [value, text] of group.items) box.append(new Option(text, value));
          return box;
        }));
      }
      select.value = chosen;
    }

    buttons() {
      byId("disc").addEventListener("change", (e) => this.send("disc", e.target.value));
      byId("colour").addEventListener("change", (e) => this.send("colour", e.target.value));
      for (const button of document.querySelectorAll("[data-act]")) {
        button.addEventListener("click", () => this.send(button.dataset.act));
      }
      for (const button of document.querySelectorAll("[data-layer]")) {
        button.addEventListener("click", () => this.send("layer", button.dataset.layer));
      }
      for (const button of document.querySelectorAll("[data-tool]")) {
        button.addEventListener("click", () => this.tool(button.dataset.tool));
      }
      byId("home").addEventListener("click", () => splendens.plane.home());
      byId("closer").addEventListener("click", () => splendens.plane.zoom(0.5));
      byId("farther").addEventListener("click", () => splendens.plane.zoom(2));
      byId("help-open").addEventListener("click", () => byId("help").showModal());
      byId("help").addEventListener("click", (e) => {
        if (e.target === byId("help")) byId("help").close();
      });
      this.tool("pan");
    }

    tool(name) {
      this.chosen = name;
      for (const tool of this.figure.toolbar.tools) {
        const mine = { PanTool: "pan", LassoSelectTool: "lasso", BoxSelectTool: "box" }[tool.type];
        if (mine) tool.active = mine === name;
      }
      for (const button of document.querySelectorAll("[data-tool]")) {
        button.setAttribute("aria-pressed", String(button.dataset.tool === name));
      }
      byId("plane").dataset.tool = name;
    }

    keys() {
      const plane = () => splendens.plane;
      const acts = {
        ArrowLeft: () => plane().pan(-1, 0),
        ArrowRight: () => plane().pan(1, 0),
        ArrowUp: () => plane().pan(0, -1),
        ArrowDown: () => plane().pan(0, 1),
        "+": () => plane().zoom(0.5),
        "=": () => plane().zoom(0.5),
        "-": () => plane().zoom(2),
        0: () => plane().home(),
        "[": () => this.send("step", -1),
        "]": () => this.send("step", 1),
        Enter: () => this.send("approach"),
        Escape: () => this.send("clear"),
        l: () => this.tool("lasso"),
        b: () => this.tool("box"),
        p: () => this.tool("pan"),
        g: () => this.send("legend"),
        f: () => this.send("present"),
        "?": () => byId("help").showModal(),
      };
      document.addEventListener("keydown", (event) => {
        const at = event.composedPath()[0];
        const typing = at instanceof HTMLElement && at.closest("input, select, textarea, [contenteditable]");
        const pressing = event.key === "Enter" && at instanceof HTMLElement && at.closest("button, a");
        if (typing || pressing || event.ctrlKey || event.metaKey || event.altKey) return;
        if (byId("help").open) return;
        if (event.key.startsWith("Arrow") && at instanceof HTMLElement
          && !(at === document.body || byId("plane").contains(at) || at === byId("plane"))) return;
        const act = acts[event.key];
        if (act && splendens.plane) {
          event.preventDefault();
          act();
        }
      });
    }

    // ---- foot of the plane -----------------------------------------------------------------------

    scale(view) {
      const um = roundBelow(150 * view.s);
      byId("bar").style.width = `${um / view.s}px`;
      byId("bar-text").textContent = length(um, 1);
      this.lastView = view;
      this.pointerMark(view);
    }

    cursor(place, plane) {
      const text = byId("cursor");
      if (!place) {
        text.textContent = "";
        byId("under").textContent = "";
        splendens.readout.at(null);
        return;
      }
      const digits = Math.min(Math.max(Math.ceil(-Math.log10(place.s)), 0), 5);
      text.textContent = `x ${place.x.toFixed(digits)}  y ${place.y.toFixed(digits)} µm`;
      const site = plane.siteAt(place);
      byId("under").textContent = site ? `${site.site}  ${site.text}` : "";
      splendens.readout.at(place, site, this.bridge.settings);
    }

    trouble(on) {
      byId("trouble").hidden = !on;
    }

    legend() {
      byId("legend").querySelector(".body").innerHTML = this.bridge.legend;
      byId("legend").classList.toggle("empty", !this.bridge.legend);
      this.placeLegend();
    }

    group() {
      byId("group").querySelector(".body").innerHTML = this.bridge.group;
      byId("group").hidden = !this.bridge.group;
    }

    // Into the corner where it hides the fewest letters of regions, and not the selected site.
    placeLegend() {
      const plane = splendens.plane;
      const box = byId("legend");
      if (!plane || !plane.started || !box.offsetWidth) return;
      const { offsetWidth: w, offsetHeight: h } = box;
      const right = plane.width - 10 - w;
      const low = plane.height - 44 - h;
      const corners = { "right-bottom": [right, low], "left-bottom": [10, low], "right-top": [right, 52] };
      const points = plane.landmarks();
      let least = Infinity;
      for (const [name, [left, top]] of Object.entries(corners)) {
        const hidden = points.filter(([x, y]) => (
          x > left - 14 && x < left + w + 14 && y > top - 4 && y < top + h + 26
        )).length;
        if (hidden >= least) continue;
        least = hidden;
        box.dataset.corner = name;
      }
    }

    // ---- scale ladder ----------------------------------------------------------------------------

    ladderY(um) {
      const h = byId("ladder").clientHeight;
      const t = (TOP - Math.log10(um)) / (TOP - BOTTOM);
      return 14 + t * (h - 28);
    }

    rungs() {
      const box = byId("ladder");
      const h = box.clientHeight;
      const w = box.clientWidth;
      if (h < 40) return;
      box.replaceChildren();
      const root = svg("svg", { width: w, height: h, role: "group" }, box);
      const axis = w - 14;
      svg("line", { class: "axis", x1: axis, x2: axis, y1: 8, y2: h - 8 }, root);
      const wide = w > 140 ? 1.6 : 1; // on a lecture room's screen
      for (const [um, text] of DECADES) {
        if (Math.log10(um) > TOP || Math.log10(um) < BOTTOM) continue;
        const y = this.ladderY(um);
        svg("line", { class: "tick", x1: axis - 5, x2: axis, y1: y, y2: y }, root);
        svg("text", { class: "decade", x: axis - 9, y: y + 3.5 * wide, "text-anchor": "end" }, root)
          .textContent = text;
        for (let k = 2; k < 10; k += 1) {
          const y2 = this.ladderY(um * k);
          if (y2 > 8) svg("line", { class: "minor", x1: axis - 2.5, x2: axis, y1: y2, y2 }, root);
        }
      }
      const hit = svg("rect", { class: "reach", x: 0, y: 0, width: w, height: h }, root);
      hit.addEventListener("click", (event) => {
        const y = event.clientY - box.getBoundingClientRect().top;
        const t = (y - 14) / (h - 28);
        const um = 10 ** (TOP - t * (TOP - BOTTOM));
        splendens.plane.fly(splendens.plane.cx, splendens.plane.cy, um / splendens.plane.width);
      });
      for (const rung of this.bridge.rungs || []) this.rung(rung, axis, root);
      this.pointer = svg("g", { class: "here" }, root);
      svg("path", { d: `M ${axis + 1} 0 l 9 -6 v 12 z` }, this.pointer);
      if (this.lastView) this.pointerMark(this.lastView);
    }

    rung(rung, axis, root) {
      const top = this.ladderY(rung.coarse_um);
      const bottom = this.ladderY(rung.fine_um);
      const x = axis > 140 ? 24 + 27 * rung.lane : 17 + 18 * rung.lane;
      const g = svg("g", {
        class: `rung ${rung.near ? "in-view" : "elsewhere"}`, tabindex: 0, role: "button",
        "aria-label": `fly to ${rung.label}`,
      }, root);
      svg("title", {}, g).textContent = rung.title;
      svg("rect", { class: "extent", x: x - 3, y: top, width: 6, height: Math.max(bottom - top, 6), rx: 3 }, g);
      const cap = [
        "M -5 0 a 5 5 0 1 0 10 0 a 5 5 0 1 0 -10 0", "M -4.5 -4.5 h 9 v 9 h -9 z", "M 0 -6 L 5 0 L 0 6 L -5 0 z",
      ][rung.lane];
      const middle = Math.max(top, 8) + 12;
      svg("text", { transform: `translate(${x - 6} ${middle}) rotate(-90)`, "text-anchor": "end" }, g)
        .textContent = rung.label;
      svg("path", { class: "cap", d: cap, transform: `translate(${x} ${top + 3})` }, g);
      svg("rect", { class: "reach", x: x - 5.5, y: top - 4, width: 11, height: bottom - top + 8 }, g);
      const fly = () => this.send("rung", rung.lane);
      g.addEventListener("click", fly);
      g.addEventListener("keydown", (event) => {
        if (event.key !== "Enter" && event.key !== " ") return;
        event.stopPropagation();
        event.preventDefault();
        fly();
      });
    }

    pointerMark(view) {
      if (!this.pointer) return;
      const um = Math.min(Math.max(view.w * view.s, 10 ** BOTTOM), 10 ** TOP);
      this.pointer.setAttribute("transform", `translate(0 ${this.ladderY(um)})`);
    }

    // ---- address ---------------------------------------------------------------------------------

    address() {
      const a = this.bridge.address;
      if (!a || !a.search || a.search === window.location.search) return;
      const url = window.location.pathname + a.search;
      if (a.push) window.history.pushState(null, "", url);
      else window.history.replaceState(null, "", url);
    }
  }

  window.splendens = window.splendens || {};
  window.splendens.Chrome = Chrome;
  window.splendens.length = length;
  window.splendens.start = (models) => {
    splendens.chrome = new Chrome(models.bridge, models.figure);
    splendens.plane = new splendens.Plane(models);
  };
})();

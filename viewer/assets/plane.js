// The plane: one picture a view. At most one request is in flight and the latest view wins.
(() => {
  "use strict";

  const MIN_SCALE = 2e-5; // micrometres to a pixel: also in viewer/state.py
  const MAX_SCALE = 100;
  const BESIDE_PX = 44; // tools above and foot below, which the whole disc does not go under
  const REST_MS = 140; // after this long without a change the view is at rest
  const KEPT_VIEWS = 2; // last views that stay under the current one
  const OVERSCAN = 1.5;
  const MAX_PIXELS = 5e6;
  const RETRY_MS = [200, 600, 1500, 3000];
  const calm = window.matchMedia("(prefers-reduced-motion: reduce)");

  class Plane {
    constructor(models) {
      Object.assign(this, models); // figure, sites, selection, regions, bridge
      this.x = this.figure.x_range;
      this.y = this.figure.y_range;
      this.host = document.getElementById("plane");
      this.rows = [];
      this.overview = null;
      this.generation = 0;
      this.busy = false;
      this.wanted = false;
      this.fails = 0;
      this.serial = 0;
      this.scaleStep = null;
      this.shown = null; // view of the sharpest picture on the screen
      this.stats = { pictures: 0, failed: 0, firstMs: null };
      this.canvas = document.getElementById("pictures");
      this.context = this.canvas.getContext("2d", { alpha: false });
      this.listen();
    }

    // ---- what is looked at -------------------------------------------------------------------

    size() {
      return [this.figure.inner_width || 0, this.figure.inner_height || 0];
    }

    view() {
      return { x: this.cx, y: this.cy, s: this.scale, w: this.width, h: this.height };
    }

    listen() {
      const properties = this.figure.properties;
      const moved = () => this.onRange();
      for (const range of [this.x, this.y]) {
        range.properties.start.change.connect(moved);
        range.properties.end.change.connect(moved);
      }
      for (const name of ["inner_width", "inner_height"]) {
        properties[name].change.connect(() => this.onResize());
      }
      const bridge = this.bridge.properties;
      bridge.settings.change.connect(() => this.onSettings());
      bridge.flight.change.connect(() => this.onFlight());
      bridge.marks.change.connect(() => this.paintMarks(true));
      for (const source of [this.regions, this.selection]) {
        source.properties.data.change.connect(() => splendens.chrome.placeLegend());
      }
      this.host.addEventListener("pointermove", (event) => this.onPointer(event));
      this.host.addEventListener("pointerleave", () => splendens.chrome.cursor(null));
      this.onResize();
    }

    start() {
      const s = this.bridge.settings;
      if (this.width < 2 || !s.run_key) return;
      const v = s.start;
      const first = firstView(s, this.width, this.height);
      this.cx = first.x;
      this.cy = first.y;
      this.scale = first.s;
      this.style = this.styleKey();
      this.started = true;
      this.atHome = v.s == null; // until somebody moves, the whole disc is fitted to the plane
      this.apply();
      this.fetchOverview();
    }

    homeView() {
      return homeView(this.bridge.settings.extent, this.width, this.height);
    }

    limit(s) {
      return limit(s);
    }

    // Put centre and scale into the ranges: y runs downwards, one scale for both.
    apply() {
      const hw = 0.5 * this.width * this.scale;
      const hh = 0.5 * this.height * this.scale;
      this.applying = true;
      this.x.setv({ start: this.cx - hw, end: this.cx + hw });
      this.y.setv({ start: this.cy + hh, end: this.cy - hh });
      this.applying = false;
      this.changed();
    }

    onRange() {
      if (this.applying || !this.started || this.rangeFrame) return;
      // one gesture changes four numbers: read them together, once a frame
      this.rangeFrame = requestAnimationFrame(() => {
        this.rangeFrame = null;
        const s = (this.x.end - this.x.start) / this.width;
        this.atHome = false;
        this.cx = (this.x.start + this.x.end) / 2;
        this.cy = (this.y.start + this.y.end) / 2;
        this.scale = this.limit(s);
        const sy = (this.y.start - this.y.end) / this.height;
        if (Math.abs(sy / this.scale - 1) > 1e-6 || s !== this.scale) this.apply();
        else this.changed();
      });
    }

    onResize() {
      const [w, h] = this.size();
      if (w < 2 || h < 2 || (w === this.width && h === this.height)) return;
      this.width = w;
      this.height = h;
      const ratio = this.ratio();
      this.canvas.width = Math.round(w * ratio);
      this.canvas.height = Math.round(h * ratio);
      if (!this.started) {
        this.start();
        return;
      }
      if (this.atHome) {
        const home = this.homeView();
        this.cx = home.x;
        this.cy = home.y;
        this.scale = this.limit(home.s);
      }
      this.apply();
    }

    changed() {
      this.paint();
      this.paintMarks(false);
      splendens.chrome.scale(this.view());
      if (this.pointer) splendens.chrome.cursor(this.placeOf(this.pointer), this);
      this.request();
      clearTimeout(this.resting);
      this.resting = setTimeout(() => this.onRest(), REST_MS);
    }

    onRest() {
      if (this.flying) return;
      splendens.chrome.placeLegend();
      this.bridge.setv({ view: { ...this.view(), n: ++this.serial } });
    }

    onSettings() {
      if (!this.started) {
        this.start();
        return;
      }
      const style = this.styleKey();
      if (style === this.style) return;
      const moved = this.disc !== undefined && this.disc !== this.bridge.settings.disc;
      this.style = style;
      this.generation += 1;
      this.shown = null;
      if (moved) this.rows = [];
      this.paint();
      this.overview = null;
      this.fetchOverview();
      this.request();
    }

    styleKey() {
      const s = this.bridge.settings;
      this.disc = s.disc;
      return styleKey(s);
    }

    // The picture that was asked for while the page was still starting; it is waited for, so that
    // nothing is drawn twice.
    async takeEarly() {
      const early = await splendens.early;
      splendens.early = null;
      if (!early || early.style !== this.style) return;
      this.rows = [early.row];
      this.shown = early.view;
      this.shownGeneration = this.generation;
      this.stats.pictures += 1;
      this.stats.firstMs = early.ms;
      this.paint();
    }

    // ---- flights -----------------------------------------------------------------------------

    onFlight() {
      const f = this.bridge.flight;
      if (f && f.n && this.started) this.fly(f.x, f.y, f.s, f.jump);
    }

    fly(x, y, s, jump = false) {
      s = this.limit(s);
      this.atHome = false;
      cancelAnimationFrame(this.flying);
      this.flying = null;
      const path = flightPath([this.cx, this.cy, this.width * this.scale], [x, y, this.width * s]);
      const land = () => {
        this.flying = null;
        this.cx = x;
        this.cy = y;
        this.scale = s;
        this.apply();
      };
      if (jump || calm.matches || path.length < 0.02) {
        land();
        return;
      }
      const ms = Math.min(1100, 260 + 150 * path.length);
      const begun = performance.now();
      const frame = (now) => {
        const t = Math.min(Math.max((now - begun) / ms, 0), 1);
        if (t >= 1) {
          land();
          return;
        }
        const eased = t * t * (3 - 2 * t);
        const [px, py, width] = path.at(eased);
        this.cx = px;
        this.cy = py;
        this.scale = width / this.width;
        this.flying = requestAnimationFrame(frame);
        this.apply();
      };
      this.flying = requestAnimationFrame(frame);
    }

    zoom(factor) {
      this.fly(this.cx, this.cy, this.scale * factor);
    }

    pan(dx, dy) {
      const step = 0.2 * Math.min(this.width, this.height) * this.scale;
      this.fly(this.cx + dx * step, this.cy + dy * step, this.scale);
    }

    home() {
      const v = this.homeView();
      this.fly(v.x, v.y, v.s);
      this.atHome = true;
    }

    // ---- pictures ----------------------------------------------------------------------------

    request() {
      this.wanted = true;
      if (!this.busy && this.started) this.next();
    }

    async next() {
      this.busy = true;
      if (splendens.early) await this.takeEarly();
      while (this.wanted) {
        this.wanted = false;
        const view = this.view();
        if (this.shown && same(this.shown, view) && this.shownGeneration === this.generation) break;
        const ok = await this.show(view);
        if (!ok) {
          await new Promise((go) => setTimeout(go, RETRY_MS[Math.min(this.fails, 3)]));
          this.fails += 1;
          this.wanted = true;
        } else this.fails = 0;
      }
      this.busy = false;
      clearTimeout(this.idle);
      this.idle = setTimeout(() => this.widen(), 260);
    }

    // When nothing else is wanted, draw the surroundings too, so that a pan finds them there.
    async widen() {
      if (this.busy || this.flying || !this.started || this.dragging) return;
      const view = this.view();
      if (!this.shown || !same(this.shown, view)) return;
      const generation = this.generation;
      const wide = { ...view, w: Math.round(view.w * OVERSCAN), h: Math.round(view.h * OVERSCAN) };
      const row = await this.fetchRow(wide).catch(() => null);
      if (!row || generation !== this.generation || !this.shown || !same(this.shown, view)) return;
      this.keep([...this.rows.slice(0, -1), row, ...this.rows.slice(-1)]);
      this.paint();
    }

    async show(view) {
      const generation = this.generation;
      let row;
      try {
        row = await this.fetchRow(view);
      } catch {
        this.stats.failed += 1;
        splendens.chrome.trouble(true);
        return false;
      }
      splendens.chrome.trouble(false);
      if (generation !== this.generation) {
        this.wanted = true;
        return true;
      }
      if (this.shownGeneration !== generation) this.rows = [];
      this.keep([...this.rows, row]);
      this.shown = view;
      this.shownGeneration = generation;
      this.paint();
      this.stats.pictures += 1;
      this.stats.firstMs ??= performance.now();
      return true;
    }

    keep(rows) {
      const kept = rows.slice(-(KEPT_VIEWS + 1));
      for (const row of rows) {
        if (!kept.includes(row)) for (const image of row.images) image.close();
      }
      this.rows = kept;
    }

    async fetchOverview() {
      const generation = this.generation;
      const home = this.homeView();
      const side = 900;
      const [x0, y0, x1, y1] = this.bridge.settings.extent;
      const s = Math.max(x1 - x0, y1 - y0) / side;
      const view = { ...home, s, w: Math.ceil((x1 - x0) / s), h: Math.ceil((y1 - y0) / s) };
      while (this.busy) await new Promise((go) => setTimeout(go, 60));
      const row = await this.fetchRow(view).catch(() => null);
      if (row && generation === this.generation) {
        this.overview = row;
        this.paint();
      }
    }

    ratio() {
      return pixelRatio();
    }

    async fetchRow(view) {
      const asked = performance.now();
      const row = await fetchRow(this.style, view);
      this.timing = { fetch: row.came - asked, decode: performance.now() - row.came };
      return row;
    }

    // Lay the pictures at their place under the figure, the current view on top.
    paint() {
      const context = this.context;
      const { width, height } = this.canvas;
      context.fillStyle = this.figure.background_fill_color;
      context.fillRect(0, 0, width, height);
      if (!this.started) return;
      const step = this.scale * (this.width / width); // micrometres to one pixel of the canvas
      const left = this.cx - 0.5 * width * step;
      const top = this.cy - 0.5 * height * step;
      for (const row of this.overview ? [this.overview, ...this.rows] : this.rows) {
        // only the part in sight: a picture of the disc is kilometres wide at a nanometre a pixel
        const x0 = Math.max(0, Math.floor((left - row.x) / row.s));
        const y0 = Math.max(0, Math.floor((top - row.y) / row.s));
        const x1 = Math.min(row.w, Math.ceil((left + width * step - row.x) / row.s));
        const y1 = Math.min(row.h, Math.ceil((top + height * step - row.y) / row.s));
        if (x1 <= x0 || y1 <= y0) continue;
        const zoom = row.s / step;
        // at its own scale a picture goes pixel on pixel
        const exact = Math.abs(zoom - 1) < 1e-9;
        context.imageSmoothingEnabled = !exact;
        const put = (value) => (exact ? Math.round(value) : value);
        const at = [
          put((row.x + x0 * row.s - left) / step), put((row.y + y0 * row.s - top) / step),
          (x1 - x0) * zoom, (y1 - y0) * zoom,
        ];
        for (const image of row.images) {
          context.drawImage(image, x0, y0, x1 - x0, y1 - y0, ...at);
        }
      }
    }

    // ---- sites -------------------------------------------------------------------------------

    // A site is a mark of fixed size while its footprint is smaller, then its footprint; the
    // footprint's fill makes way for what was measured inside it.
    paintMarks(force) {
      const step = Math.round(Math.log(this.scale || 1) * 8);
      if (!force && step === this.scaleStep) return;
      this.scaleStep = step;
      const data = this.sites.data;
      if (!data.size_um || !this.scale) return;
      let changes = force;
      const put = (name, i, value) => {
        if (data[name][i] === value) return;
        data[name][i] = value;
        changes = true;
      };
      for (let i = 0; i < data.size_um.length; i += 1) {
        const px = data.size_um[i] / this.scale;
        const fade = Math.round(4 * Math.min(Math.max((px - 34) / 20, 0), 1)) / 4;
        put("mark", i, px < 13 ? 11 : 0);
        put("fill_alpha", i, px < 13 ? 0 : data.solid[i] * (1 - fade));
        put("edge_alpha", i, px < 13 ? 0 : 1);
      }
      if (changes) this.sites.change.emit();
      const selected = this.selection.data;
      if (!selected.ring || !selected.ring.length) return;
      const ring = selected.curve[0] || selected.size_um[0] / this.scale < 26 ? 22 : 0;
      if (ring === selected.ring[0]) return;
      selected.ring[0] = ring;
      this.selection.change.emit();
    }

    placeOf({ sx, sy }) {
      return {
        x: this.cx + (sx - this.width / 2) * this.scale,
        y: this.cy + (sy - this.height / 2) * this.scale,
        s: this.scale,
      };
    }

    // Where the letters of the regions and the selected site stand on the screen.
    landmarks() {
      const at = (source) => {
        const { x = [], y = [] } = source.data;
        return Array.from(x, (value, i) => [
          (value - this.cx) / this.scale + this.width / 2, (y[i] - this.cy) / this.scale + this.height / 2,
        ]);
      };
      return [...at(this.regions), ...at(this.selection)];
    }

    onPointer(event) {
      const box = this.host.getBoundingClientRect();
      this.pointer = { sx: event.clientX - box.left, sy: event.clientY - box.top };
      if (this.started) splendens.chrome.cursor(this.placeOf(this.pointer), this);
    }

    // Nearest site under the pointer, for the line at the plane's foot.
    siteAt(place) {
      const data = this.sites.data;
      let best = null;
      let least = Infinity;
      for (let i = 0; i < (data.x || []).length; i += 1) {
        const away = Math.hypot(data.x[i] - place.x, data.y[i] - place.y);
        const reach = Math.max(0.7 * data.size_um[i], 9 * place.s);
        if (away < reach && away / reach < least) {
          least = away / reach;
          best = i;
        }
      }
      return best === null ? null : { site: data.site[best], text: data.text[best] };
    }
  }

  function limit(s) {
    return Math.min(Math.max(s, MIN_SCALE), MAX_SCALE);
  }

  function pixelRatio() {
    return Math.min(window.devicePixelRatio || 1, 2);
  }

  function homeView([x0, y0, x1, y1], width, height) {
    const free = Math.max(height - 2 * BESIDE_PX, 0.6 * height);
    const s = Math.max((1.04 * (x1 - x0)) / width, (y1 - y0) / free);
    return { x: (x0 + x1) / 2, y: (y0 + y1) / 2, s };
  }

  function firstView(settings, width, height) {
    const home = homeView(settings.extent, width, height);
    const v = settings.start;
    return { x: v.x ?? home.x, y: v.y ?? home.y, s: limit(v.s ?? home.s) };
  }

  function styleKey(s) {
    return new URLSearchParams({
      d: s.disc, v: s.run_key,
    }).toString() + "&" + s.look;
  }

  async function fetchRow(style, view) {
    const ratio = Math.min(pixelRatio(), Math.sqrt(MAX_PIXELS / (view.w * view.h)));
    const w = Math.max(1, Math.round(view.w * ratio));
    const h = Math.max(1, Math.round(view.h * ratio));
    const s = (view.s * view.w) / w;
    const response = await fetch(
      `picture?${style}&x=${view.x}&y=${view.y}&s=${s}&w=${w}&h=${h}`,
    );
    if (!response.ok) throw new Error(`picture: ${response.status}`);
    const body = await response.arrayBuffer();
    const came = performance.now();
    const first = new DataView(body).getUint32(0, true);
    const parts = [body.slice(4, 4 + first)];
    if (body.byteLength > 4 + first) parts.push(body.slice(4 + first));
    const images = await Promise.all(parts.map((part) => createImageBitmap(new Blob([part]))));
    return { images, w, h, s, came, x: view.x - 0.5 * w * s, y: view.y - 0.5 * h * s };
  }

  // Fetch and show the first picture while everything else is still on its way.
  async function showEarly(settings) {
    const canvas = document.getElementById("pictures");
    const view = { w: canvas.clientWidth, h: canvas.clientHeight };
    Object.assign(view, firstView(settings, view.w, view.h));
    const style = styleKey(settings);
    const row = await fetchRow(style, view);
    if (!splendens.plane || !splendens.plane.started) {
      canvas.width = row.w;
      canvas.height = row.h;
      const context = canvas.getContext("2d", { alpha: false });
      for (const image of row.images) context.drawImage(image, 0, 0);
    }
    return { row, view, style, ms: performance.now() };
  }

  function same(a, b) {
    return a.x === b.x && a.y === b.y && a.s === b.s && a.w === b.w && a.h === b.h;
  }

  // The path that keeps the eye's speed even while zooming and panning: van Wijk and Nuij 2003,
  // "Smooth and efficient zooming and panning", equations 9 and 11, with rho = sqrt(2).
  function flightPath([ax, ay, aw], [bx, by, bw]) {
    const rho = Math.SQRT2;
    const dx = bx - ax;
    const dy = by - ay;
    const d2 = dx * dx + dy * dy;
    const d = Math.sqrt(d2);
    if (d < 1e-9 * Math.max(aw, bw)) {
      const length = Math.abs(Math.log(bw / aw)) / rho;
      return { length, at: (t) => [ax + t * dx, ay + t * dy, aw * (bw / aw) ** t] };
    }
    const b0 = (bw * bw - aw * aw + rho ** 4 * d2) / (2 * aw * rho ** 2 * d);
    const b1 = (bw * bw - aw * aw - rho ** 4 * d2) / (2 * bw * rho ** 2 * d);
    const r0 = -Math.asinh(b0);
    const r1 = -Math.asinh(b1);
    const length = (r1 - r0) / rho;
    return {
      length: Math.abs(length),
      at: (t) => {
        const s = t * length;
        const u = (aw / (rho ** 2 * d)) * (Math.cosh(r0) * Math.tanh(rho * s + r0) - Math.sinh(r0));
        return [ax + u * dx, ay + u * dy, (aw * Math.cosh(r0)) / Math.cosh(rho * s + r0)];
      },
    };
  }

  window.splendens = window.splendens || {};
  window.splendens.Plane = Plane;
  window.splendens.flightPath = flightPath;
  window.splendens.showEarly = (settings) => {
    window.splendens.early = showEarly(settings).catch(() => null);
  };
})();

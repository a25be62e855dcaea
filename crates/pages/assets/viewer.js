// Looks closely at a picture of any size: tiles from the program, drawn on a canvas, with what lies over them.
import { Brush } from "./brush.js";
import { Matte, Tiles } from "./tiles.js";

const MOST = 4; // 400 %

class Viewer extends HTMLElement {
  async connectedCallback() {
    this.canvas = this.querySelector("canvas");
    this.pen = this.canvas.getContext("2d", { alpha: false });
    this.said = this.querySelector("output");
    this.fingers = new Map();
    this.soon = this.soon.bind(this);
    this.layers = new Map();
    this.base = this.layer(this.dataset.name);
    this.listen();
    new ResizeObserver(() => this.sized()).observe(this.canvas);
    try {
      await this.base.open();
      this.about = this.base.about;
      this.whole = true;
      this.sized();
      if (this.dataset.edge !== undefined) this.brush = new Brush(this);
      this.over();
    } catch (error) {
      this.said.textContent = error.message;
    }
  }

  // Colour of what is drawn over pictures: the look's own.
  get ink() {
    return getComputedStyle(document.documentElement).getPropertyValue("--over").trim();
  }

  layer(name) {
    if (!this.layers.has(name)) this.layers.set(name, new Tiles(name, this.soon));
    const tiles = this.layers.get(name);
    tiles.lift = this.lift ?? 0;
    return tiles;
  }

  listen() {
    for (const button of this.querySelectorAll("button[data-do]")) button.addEventListener("click", () => this.act(button.dataset.do));
    this.querySelector("[data-do=lift]").addEventListener("input", (e) => {
      this.lift = Number(e.target.value);
      for (const tiles of this.layers.values()) tiles.lift = this.lift;
      this.soon();
    });
    for (const box of this.querySelectorAll("[data-over]")) box.addEventListener("input", () => this.over());
    const { canvas } = this;
    canvas.addEventListener("wheel", (e) => {
      e.preventDefault();
      this.zoom(2 ** (-e.deltaY / 240), this.at(e));
    }, { passive: false });
    canvas.addEventListener("pointerdown", (e) => this.down(e));
    canvas.addEventListener("pointermove", (e) => this.move(e));
    for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, (e) => this.up(e, end === "pointercancel"));
    canvas.addEventListener("keydown", (e) => this.key(e));
  }

  // What is shown, by the boxes that are ticked.
  over() {
    const on = (what) => this.querySelector(`[data-over=${what}]`)?.checked;
    const { name, sky, land, before } = this.dataset;
    const shown = on("sky") === undefined ? name : on("sky") && on("land") ? name : on("sky") ? sky : on("land") ? land : undefined;
    this.base = shown && this.layer(shown);
    this.before = on("before") ? this.layer(before) : undefined;
    this.shown = { land: Boolean(on("matte")), line: Boolean(on("line")) };
    this.split = Number(this.querySelector("[data-over=split]")?.value ?? 50) / 100;
    this.querySelector(".split")?.toggleAttribute("hidden", !this.before);
    if ((this.shown.land || this.shown.line) && !this.matte) this.matte = new Matte(this.about, this.ink, this.soon);
    if (this.brush?.version) this.matte?.become(this.brush.version);
    for (const tiles of [this.base, this.before]) {
      if (tiles && !tiles.about) tiles.open().then(this.soon, (error) => { this.said.textContent = error.message; });
    }
    this.soon();
  }

  // The matte is wanted on the picture.
  showMatte() {
    for (const what of ["matte", "line"]) this.querySelector(`[data-over=${what}]`).checked = true;
    this.over();
  }

  sized() {
    const ratio = devicePixelRatio || 1;
    this.canvas.width = Math.round(this.canvas.clientWidth * ratio);
    this.canvas.height = Math.round(this.canvas.clientHeight * ratio);
    if (this.whole) this.fit();
    this.soon();
  }

  at(event) {
    const box = this.canvas.getBoundingClientRect();
    const ratio = this.canvas.width / box.width;
    return [(event.clientX - box.left) * ratio, (event.clientY - box.top) * ratio];
  }

  // A place of the screen in the picture; the middle of the first pixel is 0, 0.
  inPicture([x, y]) {
    return [(x - this.left) / this.scale - 0.5, (y - this.top) / this.scale - 0.5];
  }

  onScreen([x, y]) {
    return [this.left + (x + 0.5) * this.scale, this.top + (y + 0.5) * this.scale];
  }

  least() {
    return Math.min(this.canvas.width / this.about.width_px, this.canvas.height / this.about.height_px);
  }

  fit() {
    this.whole = true;
    this.scale = this.least();
    this.left = (this.canvas.width - this.about.width_px * this.scale) / 2;
    this.top = (this.canvas.height - this.about.height_px * this.scale) / 2;
    this.soon();
  }

  zoom(by, [x, y] = [this.canvas.width / 2, this.canvas.height / 2]) {
    if (!this.about) return;
    this.whole = false;
    const next = Math.min(MOST, Math.max(Math.min(this.least(), 1), this.scale * by));
    this.left = x - (x - this.left) * (next / this.scale);
    this.top = y - (y - this.top) * (next / this.scale);
    this.scale = next;
    this.soon();
  }

  shift(x, y) {
    this.whole = false;
    this.left += x;
    this.top += y;
    this.soon();
  }

  act(what) {
    if (!this.about) return;
    if (what === "in") this.zoom(2);
    if (what === "out") this.zoom(0.5);
    if (what === "fit") this.fit();
    if (what === "full") this.zoom(1 / this.scale);
  }

  key(event) {
    if (!this.about || this.brush?.key(event)) return event.preventDefault();
    if (event.ctrlKey || event.metaKey || event.altKey) return undefined;
    const step = 80;
    const move = { ArrowLeft: [step, 0], ArrowRight: [-step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] }[event.key];
    const act = { "+": "in", "=": "in", "-": "out", 0: "fit", 1: "full" }[event.key];
    if (!move && !act) return undefined;
    event.preventDefault();
    if (move) this.shift(...move);
    else this.act(act);
    return undefined;
  }

  down(event) {
    this.canvas.setPointerCapture(event.pointerId);
    this.fingers.set(event.pointerId, this.at(event));
    if (!this.about) return;
    // A second finger turns a stroke into a pinch.
    if (this.fingers.size > 1) this.brush?.abandon();
    else if (!event.shiftKey && event.button === 0) this.brush?.down(this.at(event));
  }

  move(event) {
    if (!this.about) return;
    const now = this.at(event);
    const before = this.fingers.get(event.pointerId);
    this.brush?.hover(now);
    if (!before) {
      this.read(now);
      return;
    }
    if (this.fingers.size === 1 && !this.brush?.to(now)) this.shift(now[0] - before[0], now[1] - before[1]);
    if (this.fingers.size === 2) {
      const other = [...this.fingers].find(([id]) => id !== event.pointerId)[1];
      const gap = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]);
      this.zoom(gap(now) / Math.max(1, gap(before)), other);
    }
    this.fingers.set(event.pointerId, now);
  }

  up(event, lost) {
    this.fingers.delete(event.pointerId);
    if (lost) this.brush?.abandon();
    else this.brush?.up();
  }

  // The value under the pointer, one question at a time.
  async read(at) {
    if (this.reading || !this.base) return;
    const [x, y] = this.inPicture(at).map((v) => Math.floor(v + 0.5));
    if (x < 0 || y < 0 || x >= this.about.width_px || y >= this.about.height_px) return;
    this.reading = true;
    try {
      const answer = await fetch(`/pixels/value?name=${encodeURIComponent(this.base.name)}&x=${x}&y=${y}`);
      const { rgb } = await answer.json();
      const share = this.matte?.at(x, y);
      const matte = share === undefined ? "" : `  matte ${share.toFixed(2)}`;
      if (rgb) this.said.textContent = `${x}, ${y}: ${rgb.map((v) => v.toPrecision(3)).join("  ")}${matte}  at ${Math.round(this.scale * 100)} %`;
    } finally {
      setTimeout(() => { this.reading = false; }, 60);
    }
  }

  soon() {
    if (this.due) return;
    this.due = true;
    requestAnimationFrame(() => {
      this.due = false;
      this.draw();
    });
  }

  draw() {
    const { pen, canvas } = this;
    pen.fillStyle = "#000";
    pen.fillRect(0, 0, canvas.width, canvas.height);
    if (!this.about || !this.scale) return;
    this.base?.draw(pen, this);
    if (this.before) this.drawBefore();
    if (this.matte && (this.shown.land || this.shown.line)) this.matte.draw(pen, this, this.shown);
    this.brush?.draw(pen);
    this.frames = (this.frames ?? 0) + 1;
  }

  // The frame before, left of a line.
  drawBefore() {
    const { pen, canvas, scale } = this;
    const [ox, oy] = (this.dataset.beforeAt ?? "0,0").split(",").map(Number);
    const middle = Math.round(canvas.width * this.split);
    pen.save();
    pen.beginPath();
    pen.rect(0, 0, middle, canvas.height);
    pen.clip();
    pen.fillRect(0, 0, middle, canvas.height);
    this.before.draw(pen, { scale, left: this.left + ox * scale, top: this.top + oy * scale });
    pen.restore();
    pen.fillRect(middle - 1, 0, 4, canvas.height);
    pen.fillStyle = this.ink;
    pen.fillRect(middle, 0, 2, canvas.height);
  }
}

customElements.define("nl-viewer", Viewer);

// Looks closely at a picture of any size: tiles from the program, drawn on a canvas.

const MOST = 4; // 400 %
const HELD = 160; // tiles kept

class Viewer extends HTMLElement {
  async connectedCallback() {
    this.canvas = this.querySelector("canvas");
    this.pen = this.canvas.getContext("2d", { alpha: false });
    this.said = this.querySelector("output");
    this.tiles = new Map();
    this.lift = 0;
    this.fingers = new Map();
    for (const button of this.querySelectorAll("button[data-do]")) button.addEventListener("click", () => this.act(button.dataset.do));
    this.querySelector("[data-do=lift]").addEventListener("input", (e) => {
      this.lift = Number(e.target.value);
      this.tiles.clear();
      this.soon();
    });
    this.canvas.addEventListener("wheel", (e) => {
      e.preventDefault();
      this.zoom(2 ** (-e.deltaY / 240), this.at(e));
    }, { passive: false });
    this.canvas.addEventListener("pointerdown", (e) => this.down(e));
    this.canvas.addEventListener("pointermove", (e) => this.move(e));
    for (const end of ["pointerup", "pointercancel"]) this.canvas.addEventListener(end, (e) => this.fingers.delete(e.pointerId));
    this.canvas.addEventListener("keydown", (e) => this.key(e));
    new ResizeObserver(() => this.sized()).observe(this.canvas);
    try {
      const answer = await fetch(`/pixels?name=${encodeURIComponent(this.dataset.name)}`);
      const about = await answer.json();
      if (!answer.ok) throw new Error(about.error);
      this.about = about;
      this.whole = true;
      this.sized();
    } catch (error) {
      this.said.textContent = error.message;
    }
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
    const step = 80;
    const move = { ArrowLeft: [step, 0], ArrowRight: [-step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] }[event.key];
    const act = { "+": "in", "=": "in", "-": "out", 0: "fit", 1: "full" }[event.key];
    if (!move && !act) return;
    event.preventDefault();
    if (move) this.shift(...move);
    else this.act(act);
  }

  down(event) {
    this.canvas.setPointerCapture(event.pointerId);
    this.fingers.set(event.pointerId, this.at(event));
  }

  move(event) {
    const now = this.at(event);
    const before = this.fingers.get(event.pointerId);
    if (!before) return this.read(now);
    if (this.fingers.size === 1) this.shift(now[0] - before[0], now[1] - before[1]);
    if (this.fingers.size === 2) {
      const other = [...this.fingers].find(([id]) => id !== event.pointerId)[1];
      const gap = (p) => Math.hypot(p[0] - other[0], p[1] - other[1]);
      this.zoom(gap(now) / Math.max(1, gap(before)), other);
    }
    this.fingers.set(event.pointerId, now);
  }

  // The value under the pointer, one question at a time.
  async read([x, y]) {
    if (!this.about || this.reading) return;
    const px = Math.floor((x - this.left) / this.scale);
    const py = Math.floor((y - this.top) / this.scale);
    if (px < 0 || py < 0 || px >= this.about.width_px || py >= this.about.height_px) return;
    this.reading = true;
    const answer = await fetch(`/pixels/value?name=${encodeURIComponent(this.dataset.name)}&x=${px}&y=${py}`);
    const { rgb } = await answer.json();
    if (rgb) this.said.textContent = `${px}, ${py}: ${rgb.map((v) => v.toPrecision(3)).join("  ")}  at ${Math.round(this.scale * 100)} %`;
    setTimeout(() => { this.reading = false; }, 60);
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
    const { pen, canvas, about } = this;
    pen.fillStyle = "#000";
    pen.fillRect(0, 0, canvas.width, canvas.height);
    if (!about || !this.scale) return;
    const wanted = Math.min(about.levels - 1, Math.max(0, Math.floor(Math.log2(1 / this.scale))));
    // From coarse to fine: what is not there yet shows through from below.
    for (let level = about.levels - 1; level >= wanted; level -= 1) this.drawLevel(level, level === wanted || level === about.levels - 1);
    this.frames = (this.frames ?? 0) + 1;
  }

  drawLevel(level, ask) {
    const { about, canvas } = this;
    const side = about.tile_px * 2 ** level;
    const shown = side * this.scale;
    const [columns, rows] = [Math.ceil(about.width_px / side), Math.ceil(about.height_px / side)];
    const first = (offset) => Math.max(0, Math.floor(-offset / shown));
    const last = (offset, room, all) => Math.min(all - 1, Math.floor((room - offset) / shown));
    this.pen.imageSmoothingEnabled = this.scale < 2;
    for (let y = first(this.top); y <= last(this.top, canvas.height, rows); y += 1) {
      for (let x = first(this.left); x <= last(this.left, canvas.width, columns); x += 1) {
        const tile = this.tile(level, x, y, ask);
        if (!tile?.complete || !tile.naturalWidth) continue;
        const by = 2 ** level * this.scale;
        this.pen.drawImage(tile, this.left + x * shown, this.top + y * shown, tile.naturalWidth * by, tile.naturalHeight * by);
      }
    }
  }

  tile(level, x, y, ask) {
    const key = `${level}/${x}/${y}/${this.lift}`;
    const known = this.tiles.get(key);
    if (known || !ask) return known;
    const tile = new Image();
    tile.onload = () => {
      this.ready ??= performance.now();
      this.soon();
    };
    tile.src = `/pixels/tile?name=${encodeURIComponent(this.dataset.name)}&level=${level}&x=${x}&y=${y}&lift=${this.lift}`;
    this.tiles.set(key, tile);
    if (this.tiles.size > HELD) this.tiles.delete(this.tiles.keys().next().value);
    return tile;
  }
}

customElements.define("nl-viewer", Viewer);

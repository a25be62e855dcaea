// Looks closely at a picture of any size: tiles from the program, drawn on a canvas, with what lies over them.
import { Brush } from "./brush.js";
import { Develop } from "./develop.js";
import { Export } from "./export.js";
import { keptShare } from "./frame.js";
import { Matte, Tiles } from "./tiles.js";
import { Versions } from "./versions.js";

const MOST = 4; // 400 %
const GRIP = 14; // screen pixels within which the divider is taken hold of

class Viewer extends HTMLElement {
  async connectedCallback() {
    this.canvas = this.querySelector("canvas");
    this.pen = this.canvas.getContext("2d", { alpha: false });
    this.said = this.querySelector("output.under");
    this.fingers = new Map();
    this.soon = this.soon.bind(this);
    this.layers = new Map();
    this.base = this.layer(this.dataset.name);
    this.listen();
    new ResizeObserver(() => this.sized()).observe(this.canvas);
    try {
      if (this.dataset.live !== undefined) await this.develops();
      if (!this.develop) await this.base.open();
      this.about = this.base.about;
      this.whole = true;
      this.sized();
      this.recall();
      if (this.develop) this.export = new Export(this);
      if (this.querySelector(".versions")) this.versions = new Versions(this);
      if (this.dataset.edge !== undefined) this.brush = new Brush(this);
      this.over();
    } catch (error) {
      this.said.textContent = error.message;
    }
  }

  // The kept layers take the picture's place; where they cannot be had, the picture stands as it was written.
  async develops() {
    const develop = new Develop(this);
    try {
      await develop.open();
      this.develop = develop;
      this.base = develop.live;
      this.querySelector(".lift").hidden = true;
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
    this.anywhere = (e) => {
      const go = { ",": "before", ".": "after" }[e.key];
      if (e.defaultPrevented || !["f", "b"].includes(e.key.toLowerCase()) && !go || e.ctrlKey || e.metaKey || e.altKey || e.target.closest?.("input:not([type=range], [type=checkbox], [type=radio]), select, textarea")) return;
      const link = this.querySelector(`[data-go=${go}]`);
      if (go && !link) return;
      if (e.key.toLowerCase() === "b" && !this.dataset.blink) return;
      e.preventDefault();
      if (link) link.click();
      else this.act(e.key.toLowerCase() === "f" ? "alone" : "blink");
    };
    this.hear = ({ detail }) => {
      if (detail.what === "picture" || (detail.what === "built" && detail.ok)) this.renew();
    };
    this.missed = () => this.renew();
    document.addEventListener("keydown", this.anywhere);
    document.addEventListener("outing", this.hear);
    document.addEventListener("missed", this.missed);
    document.addEventListener("fullscreenchange", () => this.toggleAttribute("data-alone", document.fullscreenElement === this));
    addEventListener("pagehide", () => this.remember());
  }

  disconnectedCallback() {
    document.removeEventListener("keydown", this.anywhere);
    document.removeEventListener("outing", this.hear);
    document.removeEventListener("missed", this.missed);
  }

  // Where one looks, for the page loaded anew.
  remember() {
    if (!this.about || this.whole) return sessionStorage.removeItem(this.place);
    const at = this.inView([this.canvas.width / 2, this.canvas.height / 2]);
    return sessionStorage.setItem(this.place, JSON.stringify({ at, scale: this.scale }));
  }

  get place() {
    return `place ${this.dataset.place ?? this.dataset.name}`;
  }

  recall() {
    const kept = JSON.parse(sessionStorage.getItem(this.place) ?? "null");
    if (!kept) return;
    this.whole = false;
    this.scale = kept.scale;
    this.centre(kept.at);
  }

  centre([x, y]) {
    this.left = this.canvas.width / 2 - (x + 0.5) * this.scale;
    this.top = this.canvas.height / 2 - (y + 0.5) * this.scale;
    this.soon();
  }

  // A picture of another crop has its land frame elsewhere.
  async layBefore() {
    const options = this.querySelectorAll("[data-over=against] [data-at]");
    if (!options.length) return;
    const page = new DOMParser().parseFromString(await (await fetch("/picture")).text(), "text/html");
    for (const option of options) {
      const now = [...page.querySelectorAll("[data-over=against] [data-at]")].find((other) => other.value === option.value);
      if (now) option.dataset.at = now.dataset.at;
    }
    this.over();
  }

  // The picture was made anew: everything that is shown is asked for again; zoom and place stay.
  async renew() {
    if (!this.about) return;
    const at = this.inView([this.canvas.width / 2, this.canvas.height / 2]);
    try {
      await Promise.all([...this.layers.values()].filter((tiles) => tiles.about).map((tiles) => tiles.open()));
    } catch (error) {
      this.said.textContent = error.message;
      return;
    }
    if (this.develop) await this.develop.follow();
    const now = this.develop ? this.develop.live.about : this.layer(this.dataset.name).about;
    const other = now.width_px !== this.about.width_px || now.height_px !== this.about.height_px;
    this.about = now;
    if (other && this.whole) this.fit();
    else if (other) this.centre(at);
    if (this.matte) {
      this.matte = new Matte(this.about, this.ink, this.soon);
      if (this.brush?.version) this.matte.become(this.brush.version);
    }
    this.versions?.load();
    await this.layBefore();
    this.renewed = (this.renewed ?? 0) + 1;
    this.brush?.load();
    this.soon();
  }

  // What is shown, by the boxes that are ticked.
  over() {
    const on = (what) => this.querySelector(`[data-over=${what}]`)?.checked;
    const { name, sky, land } = this.dataset;
    const shown = on("sky") === undefined ? name : on("sky") && on("land") ? name : on("sky") ? sky : on("land") ? land : undefined;
    this.base = shown && this.layer(shown);
    if (this.develop) {
      const { live } = this.develop;
      this.base = shown && live;
      const layer = shown === sky ? "sky" : shown === land ? "land" : "picture";
      if (layer !== live.layer) this.develop.look({ layer });
    }
    const against = this.querySelector("[data-over=against]");
    this.before = on("before") && against?.value ? this.layer(against.value) : undefined;
    this.beforeAt = (against?.selectedOptions[0]?.dataset.at ?? "0,0").split(",").map(Number);
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

  // A place of the screen among the pixels shown; the middle of the first is 0, 0.
  inView([x, y]) {
    return [(x - this.left) / this.scale - 0.5, (y - this.top) / this.scale - 0.5];
  }

  placed([x, y]) {
    return [this.left + (x + 0.5) * this.scale, this.top + (y + 0.5) * this.scale];
  }

  // The same in the layers, which lie as they were taken: a picture is turned when it is shown.
  inPicture(at) {
    return this.turnedBy(this.inView(at), -(this.turn ?? 0));
  }

  onScreen(at) {
    return this.placed(this.turnedBy(at, this.turn ?? 0));
  }

  turnedBy([x, y], angle) {
    if (!angle) return [x, y];
    const [cx, cy] = [(this.about.width_px - 1) / 2, (this.about.height_px - 1) / 2];
    const [s, c, u, v] = [Math.sin(angle), Math.cos(angle), x - cx, y - cy];
    return [cx + u * c - v * s, cy + u * s + v * c];
  }

  // The picture is shown turned clockwise by so many degrees.
  turned(degrees) {
    const turn = (degrees * Math.PI) / 180;
    if (turn === this.turn) return;
    this.turn = turn;
    if (this.whole && this.about) this.fit();
  }

  // Draws what lies in the layers as they were taken.
  underTurn(pen, draw) {
    if (!this.turn) return draw();
    const at = [this.left + (this.about.width_px * this.scale) / 2, this.top + (this.about.height_px * this.scale) / 2];
    const share = keptShare(this.about.width_px, this.about.height_px, this.turn) * this.scale;
    const [wide, tall] = [share * this.about.width_px, share * this.about.height_px];
    pen.save();
    pen.beginPath();
    pen.rect(at[0] - wide / 2, at[1] - tall / 2, wide, tall);
    pen.clip();
    pen.translate(...at);
    pen.rotate(this.turn);
    pen.translate(...at.map((v) => -v));
    this.beyond = Math.max(this.canvas.width, this.canvas.height) / 2;
    draw();
    this.beyond = 0;
    pen.restore();
    return undefined;
  }

  least() {
    const { width_px: width, height_px: height } = this.about;
    return Math.min(this.canvas.width / width, this.canvas.height / height) / (this.turn ? keptShare(width, height, this.turn) : 1);
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
    if (what === "alone") this.alone();
    if (what === "blink") this.blink();
  }

  // The frame beside this one in its place, and back: at one's own pace, so that nothing flashes by itself.
  blink() {
    const other = this.layer(this.dataset.blink);
    this.blinked = this.base !== other;
    this.base = this.blinked ? other : this.layer(this.dataset.name);
    this.querySelector("button[data-do=blink]").setAttribute("aria-pressed", this.blinked);
    if (!other.about) other.open().then(this.soon, (error) => { this.said.textContent = error.message; });
    this.soon();
  }

  // The picture fills the window, and the screen where the browser lets it.
  async alone() {
    const on = !this.hasAttribute("data-alone");
    if (document.fullscreenElement) await document.exitFullscreen();
    this.toggleAttribute("data-alone", on);
    if (on) await this.requestFullscreen?.().catch(() => {});
    this.toggleAttribute("data-alone", on);
  }

  key(event) {
    if (!this.about || this.develop?.hands.key(event) || this.brush?.key(event)) return event.preventDefault();
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
    this.splitting = this.fingers.size === 1 && this.onDivider(this.at(event));
    if (this.splitting) return;
    this.framing = this.fingers.size === 1 && this.develop?.frame.down(this.at(event), event.altKey);
    if (this.framing) return;
    if (this.fingers.size > 1) this.develop?.hands.up(true);
    else if (!event.shiftKey && event.button === 0 && this.develop?.hands.down(this.at(event))) return;
    // A second finger turns a stroke into a pinch.
    if (this.fingers.size > 1) this.brush?.abandon();
    else if (!event.shiftKey && event.button === 0) this.brush?.down(this.at(event));
  }

  move(event) {
    if (!this.about) return;
    const now = this.at(event);
    const before = this.fingers.get(event.pointerId);
    this.brush?.hover(now);
    this.canvas.classList.toggle("dividing", this.splitting || this.onDivider(now));
    if (!before) {
      this.read(now);
      return;
    }
    if (this.framing) {
      this.develop.frame.move(now);
      return;
    }
    if (this.develop?.hands.held) {
      this.develop.hands.to(now);
      return;
    }
    if (this.splitting) {
      this.divide(now[0] / this.canvas.width);
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

  onDivider([x]) {
    return Boolean(this.before) && Math.abs(x - this.canvas.width * this.split) < GRIP * (devicePixelRatio || 1);
  }

  divide(at) {
    this.split = Math.min(1, Math.max(0, at));
    const slider = this.querySelector("[data-over=split]");
    if (slider) slider.value = Math.round(this.split * 100);
    this.soon();
  }

  up(event, lost) {
    this.fingers.delete(event.pointerId);
    this.splitting = false;
    this.framing = false;
    this.develop?.frame.up();
    this.develop?.hands.up(lost);
    if (lost) this.brush?.abandon();
    else this.brush?.up();
  }

  // The value under the pointer, one question at a time.
  async read(at) {
    if (this.reading || !this.base) return;
    const [x, y] = this.inView(at).map((v) => Math.floor(v + 0.5));
    if (x < 0 || y < 0 || x >= this.about.width_px || y >= this.about.height_px) return;
    if (this.base.at) {
      const rgb = this.base.at(x, y);
      const share = this.matte?.at(...this.inPicture(at).map((v) => Math.floor(v + 0.5)));
      this.said.textContent = `${x}, ${y}${rgb ? `: ${rgb.join("  ")}` : ""}${share === undefined ? "" : `  matte ${share.toFixed(2)}`}  at ${Math.round(this.scale * 100)} %`;
      return;
    }
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
    if (this.matte && (this.shown.land || this.shown.line)) this.underTurn(pen, () => this.matte.draw(pen, this, this.shown));
    this.develop?.frame.draw(pen);
    this.develop?.hands.draw(pen);
    this.brush?.draw(pen);
    this.frames = (this.frames ?? 0) + 1;
  }

  // The frame before, left of a line.
  drawBefore() {
    const { pen, canvas, scale } = this;
    const { about, before } = this;
    // A finished picture was turned and cut, and a preview is smaller than what it shows; a frame is neither.
    const finished = before.name.startsWith("version/") || before.name === this.dataset.name;
    const level = (Number(this.querySelector("[data-over=against]").selectedOptions[0]?.dataset.level ?? this.develop?.built?.level_deg ?? 0) * Math.PI) / 180;
    const share = finished && level ? keptShare(about.width_px, about.height_px, level) : 1;
    const by = before.about && finished ? (share * about.width_px) / before.about.width_px : 1;
    const [ox, oy] = finished ? [about.width_px, about.height_px].map((v) => (v * (1 - share)) / 2) : this.beforeAt;
    const middle = Math.round(canvas.width * this.split);
    pen.save();
    pen.beginPath();
    pen.rect(0, 0, middle, canvas.height);
    pen.clip();
    pen.fillRect(0, 0, middle, canvas.height);
    const draw = () => before.draw(pen, { scale: scale * by, left: this.left + ox * scale, top: this.top + oy * scale, beyond: this.beyond });
    if (finished) draw();
    else this.underTurn(pen, draw);
    pen.restore();
    pen.fillRect(middle - 1, 0, 4, canvas.height);
    pen.fillStyle = this.ink;
    pen.fillRect(middle, 0, 2, canvas.height);
    // A grip, so that it is seen that it can be dragged.
    const [r, y] = [9 * (devicePixelRatio || 1), canvas.height / 2];
    for (const [side, colour] of [[r + 2, "#000"], [r, this.ink]]) {
      pen.fillStyle = colour;
      pen.beginPath();
      pen.arc(middle + 1, y, side, 0, 2 * Math.PI);
      pen.fill();
    }
  }
}

customElements.define("nl-viewer", Viewer);

// The hand brush: strokes that say here is land, here is sky. Kept by the program, answered on the matte at once.
import { send } from "./send.js";

const LEAST_PX = 1;
const MOST_PX = 300;

export class Brush {
  constructor(viewer) {
    this.viewer = viewer;
    this.panel = viewer.querySelector(".brush");
    this.said = this.panel.querySelector("[role=status]");
    this.words = this.panel.dataset;
    this.mode = "move";
    this.past = [];
    this.future = [];
    this.strokes = [];
    this.queue = Promise.resolve();
    for (const choice of this.panel.querySelectorAll("[name=brush]")) {
      choice.addEventListener("change", () => this.choose(choice.value));
    }
    for (const button of this.panel.querySelectorAll("[data-hint]")) {
      button.addEventListener("click", () => this[button.dataset.hint]());
    }
    this.width = this.panel.querySelector("[data-width]");
    this.width.addEventListener("input", () => this.viewer.soon());
    document.addEventListener("outing", async ({ detail }) => {
      if (detail.what !== "hints") return;
      // News of one's own strokes may come before their answer.
      await this.queue;
      if (detail.version !== this.version) this.load();
    });
    this.load();
  }

  get radius() {
    // Even steps of the slider are even factors.
    return LEAST_PX * (MOST_PX / LEAST_PX) ** (Number(this.width.value) / 100);
  }

  async load() {
    await this.queue;
    try {
      const answer = await fetch("/hints");
      const told = await answer.json();
      if (!answer.ok) throw new Error(told.error);
      this.origin = told.origin_px;
      this.frame = told.land_frame_px;
      const scale = this.frame[0] / (told.strokes_on_px[0] || this.frame[0]);
      this.strokes = scale === 1 ? told.strokes : told.strokes.map((s) => ({ ...s, radius_px: s.radius_px * scale, points_px: s.points_px.map((p) => p.map((v) => (v + 0.5) * scale - 0.5)) }));
      this.past = [];
      this.future = [];
      this.settle(told.version);
      // Strokes that the program never heard of, if nothing else was brushed meanwhile.
      const draft = JSON.parse(localStorage.getItem(this.draft) ?? "null");
      localStorage.removeItem(this.draft);
      if (draft?.was === told.version) this.become(draft.strokes);
    } catch (error) {
      this.say(error.message);
    }
  }

  get draft() {
    return `strokes ${document.documentElement.dataset.outing}`;
  }

  settle(version) {
    this.version = version;
    this.viewer.matte?.become(version);
    this.panel.querySelector("[data-hint=undo]").disabled = !this.past.length && !this.strokes.length;
    this.panel.querySelector("[data-hint=redo]").disabled = !this.future.length;
    this.panel.querySelector("[data-hint=clear]").disabled = !this.strokes.length;
    this.tell();
    this.viewer.soon();
  }

  tell(more = "") {
    const n = this.strokes.length;
    this.say(`${n ? this.words.kept.replace("{n}", n) : this.words.none}${more}`);
  }

  say(words) {
    this.said.textContent = words;
  }

  async choose(mode) {
    this.mode = mode;
    this.abandon();
    if (mode !== "move") this.viewer.develop?.hands.take(undefined);
    this.panel.querySelector(`[name=brush][value=${mode}]`).checked = true;
    this.viewer.canvas.classList.toggle("brushing", mode !== "move");
    this.place = this.viewer.inPicture([this.viewer.canvas.width / 2, this.viewer.canvas.height / 2]);
    if (mode === "move" || this.ready) return this.viewer.soon();
    this.say(this.words.wait);
    try {
      const answer = await fetch("/hints/ready");
      const told = await answer.json();
      if (!answer.ok) throw new Error(told.error);
      this.ready = true;
      this.viewer.showMatte();
      this.tell();
    } catch (error) {
      this.say(error.message);
    }
    return undefined;
  }

  get brushing() {
    return this.mode !== "move" && this.ready;
  }

  hover(at) {
    if (this.mode === "move") return;
    this.place = this.viewer.inPicture(at);
    this.viewer.soon();
  }

  down(at) {
    if (!this.brushing) return;
    this.place = this.viewer.inPicture(at);
    this.now = { is: this.mode, radius_px: this.round(this.radius), points_px: [] };
    this.to(at);
  }

  round(v) {
    return Math.round(v * 100) / 100;
  }

  // Goes on with a stroke; false if there is none.
  to(at) {
    if (!this.now) return this.brushing;
    this.stretch(this.viewer.inPicture(at));
    return true;
  }

  stretch(place) {
    const [x, y] = place.map((v, i) => this.round(v - this.origin[i]));
    const points = this.now.points_px;
    const last = points.at(-1);
    const far = !last || Math.hypot(x - last[0], y - last[1]) >= Math.max(1, this.now.radius_px / 4);
    const room = this.frame[0];
    const there = x > -room && y > -room && x < 2 * room && y < 2 * room;
    if (far && there && points.length < 4000) points.push([x, y]);
    this.viewer.soon();
  }

  up() {
    if (!this.now) return;
    const stroke = this.now;
    this.now = undefined;
    if (stroke.points_px.length) this.become([...this.strokes, stroke]);
  }

  abandon() {
    this.now = undefined;
    this.viewer.soon();
  }

  become(strokes) {
    this.past.push(this.strokes);
    this.future = [];
    this.keep(strokes);
  }

  undo() {
    if (!this.past.length && !this.strokes.length) return;
    this.future.push(this.strokes);
    // Strokes of an earlier visit go one by one.
    this.keep(this.past.pop() ?? this.strokes.slice(0, -1));
  }

  redo() {
    if (!this.future.length) return;
    this.past.push(this.strokes);
    this.keep(this.future.pop());
  }

  clear() {
    if (this.strokes.length) this.become([]);
  }

  // Shown at once, kept in order, answered when the program has solved the matte again.
  keep(strokes) {
    this.strokes = strokes;
    this.viewer.soon();
    const began = performance.now();
    localStorage.setItem(this.draft, JSON.stringify({ was: this.version, strokes }));
    this.queue = this.queue.then(async () => {
      try {
        const told = await send("/hints", { was: this.version, strokes });
        if (this.strokes === strokes) localStorage.removeItem(this.draft);
        else localStorage.setItem(this.draft, JSON.stringify({ was: told.version, strokes: this.strokes }));
        this.settle(told.version);
        this.viewer.showMatte();
        await this.answered(told.version, began);
      } catch (error) {
        // Refused, and not only unheard.
        if (!(error instanceof TypeError)) localStorage.removeItem(this.draft);
        this.queue = Promise.resolve();
        await this.load();
        this.say(error.message);
      }
    });
  }

  // Waits until the part in view shows the new matte.
  async answered(version, began) {
    const { matte } = this.viewer;
    for (;;) {
      await new Promise(requestAnimationFrame);
      if (this.version !== version) return;
      if (matte.settled) break;
    }
    const ms = Math.round(performance.now() - began);
    this.panel.dataset.answered = ms;
    this.tell(` ${this.words.after.replace("{s}", (ms / 1000).toFixed(1))}`);
  }

  // Keys while a brush is in hand; true if one was used.
  key(event) {
    const { key } = event;
    if (event.ctrlKey || event.metaKey) {
      if (key === "z" && !event.shiftKey) this.undo();
      else if (key === "y" || (key.toLowerCase() === "z" && event.shiftKey)) this.redo();
      else return false;
      return true;
    }
    const mode = { m: "move", l: "land", s: "sky" }[key.toLowerCase()];
    if (mode) this.choose(mode);
    else if (key === "u") this.undo();
    else if (key === "r") this.redo();
    else if (key === "," || key === ".") this.widen(key === "." ? 4 : -4);
    else return this.brushing && this.paintKey(key);
    return true;
  }

  widen(by) {
    this.width.value = Number(this.width.value) + by;
    this.viewer.soon();
  }

  // Arrows carry the brush, the space bar sets it down and lifts it.
  paintKey(key) {
    const step = Math.max(1, this.radius / 2);
    const way = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[key];
    if (way) {
      this.place = this.place.map((v, i) => v + way[i]);
      if (this.now) this.stretch(this.place);
    } else if (key === " " || key === "Enter") {
      if (this.now) this.up();
      else {
        this.now = { is: this.mode, radius_px: this.round(this.radius), points_px: [] };
        this.stretch(this.place);
      }
    } else if (key === "Escape") {
      if (this.now) this.abandon();
      else this.choose("move");
    } else return false;
    this.viewer.soon();
    return true;
  }

  draw(pen) {
    const { viewer } = this;
    const all = this.now ? [...this.strokes, this.now] : this.strokes;
    if (this.mode !== "move" || this.now) for (const stroke of all) this.drawStroke(pen, stroke);
    if (this.mode === "move" || !this.place) return;
    const [x, y] = viewer.onScreen(this.place);
    const r = this.radius * viewer.scale;
    this.outline(pen, () => pen.arc(x, y, Math.max(2, r), 0, 2 * Math.PI));
    this.label(pen, this.mode, x + r + 4, y);
  }

  // Twice, so that it shows on any picture.
  outline(pen, path) {
    for (const [width, colour] of [[3.5, "#000"], [1.5, viewerInk(this.viewer)]]) {
      pen.lineWidth = width;
      pen.strokeStyle = colour;
      pen.beginPath();
      path();
      pen.stroke();
    }
  }

  // Its way as a line, with its word at the beginning.
  drawStroke(pen, stroke) {
    const points = stroke.points_px.map((p) => this.viewer.onScreen([p[0] + this.origin[0], p[1] + this.origin[1]]));
    if (!points.length) return;
    const r = Math.max(2, stroke.radius_px * this.viewer.scale);
    pen.save();
    pen.setLineDash(stroke.is === "land" ? [] : [5, 5]);
    this.outline(pen, () => {
      pen.moveTo(...points[0]);
      for (const point of points) pen.lineTo(...point);
    });
    pen.setLineDash([]);
    for (const [x, y] of [points[0], points.at(-1)]) this.outline(pen, () => pen.arc(x, y, r, 0, 2 * Math.PI));
    pen.restore();
    this.label(pen, stroke.is, points[0][0] + r + 4, points[0][1]);
  }

  label(pen, is, x, y) {
    pen.font = "600 13px system-ui, sans-serif";
    pen.textBaseline = "middle";
    pen.lineWidth = 4;
    pen.strokeStyle = "#000";
    pen.strokeText(this.words[is], x, y);
    pen.fillStyle = viewerInk(this.viewer);
    pen.fillText(this.words[is], x, y);
  }
}

function viewerInk(viewer) {
  return (viewer.inkNow ??= viewer.ink);
}

// The crop by hand: a frame over the picture, drawn by its corners and sides, in any proportion.

const GRIP = 12; // screen pixels round a corner or side

// The share of width and height that a picture keeps when it is turned and no corner is to be bare.
export function keptShare(width, height, angle) {
  const [s, c] = [Math.abs(Math.sin(angle)), Math.abs(Math.cos(angle))];
  return Math.min(width / (width * c + height * s), height / (width * s + height * c));
}

export class Frame {
  constructor(develop) {
    this.develop = develop;
    this.viewer = develop.viewer;
    this.panel = this.viewer.querySelector(".crop");
    this.shape = this.panel.querySelector("[name=shape]");
    this.how = this.panel.querySelector("[name=how]");
    this.fields = [...this.panel.querySelectorAll("[data-edge]")];
    this.how.addEventListener("change", () => this.choose());
    this.shape.addEventListener("change", () => this.box && this.become(this.shaped(this.box)));
    for (const field of this.fields) field.addEventListener("change", () => this.typed());
  }

  // The built picture's box in the full canvas.
  get built() {
    return this.develop.live.about.crop_px;
  }

  // The settings say something else now.
  follow(value) {
    const box = value.match(/-?\d+/g)?.map(Number);
    this.box = box?.length === 4 ? this.within(box) : undefined;
    this.how.value = this.box ? "hand" : value;
    this.panel.querySelector(".by-hand").hidden = !this.box;
    this.fields.forEach((field, i) => { field.value = this.box ? this.box[i] : ""; });
    this.viewer.soon();
  }

  // Whether it is another than the built picture's.
  get pending() {
    return Boolean(this.box) && this.box.some((v, i) => Math.round(v) !== this.built[i]);
  }

  choose() {
    if (this.how.value !== "hand") return this.develop.change("crop", this.how.value);
    const [left, top, right, bottom] = this.built;
    const [x, y] = [Math.round((right - left) / 20), Math.round((bottom - top) / 20)];
    return this.become(this.shaped([left + x, top + y, right - x, bottom - y]));
  }

  typed() {
    const box = this.fields.map((field) => Math.round(Number(field.value)));
    if (box.every(Number.isFinite) && box[0] < box[2] && box[1] < box[3]) this.become(this.within(box));
    else this.follow(this.develop.values.crop);
  }

  become(box) {
    this.develop.change("crop", box.map(Math.round).join(", "));
  }

  within([left, top, right, bottom]) {
    const [width, height] = this.develop.live.about.full_px;
    const inside = (v, most) => Math.min(most, Math.max(0, v));
    const [l, t] = [inside(left, width - 16), inside(top, height - 16)];
    return [l, t, inside(Math.max(right, l + 16), width), inside(Math.max(bottom, t + 16), height)];
  }

  // The largest of the shape asked for round the same middle.
  shaped([left, top, right, bottom]) {
    const ratio = Number(this.shape.value);
    if (!ratio) return [left, top, right, bottom];
    const [width, height] = [Math.min(right - left, (bottom - top) * ratio), Math.min(bottom - top, (right - left) / ratio)];
    const [x, y] = [(left + right) / 2, (top + bottom) / 2];
    return [x - width / 2, y - height / 2, x + width / 2, y + height / 2];
  }

  // The frame in pixels of the built picture, if it lies inside it.
  get inPicture() {
    if (!this.box) return undefined;
    const [left, top, right, bottom] = this.built;
    const [l, t, r, b] = this.box;
    const within = [Math.max(l, left) - left, Math.max(t, top) - top, Math.min(r, right) - left, Math.min(b, bottom) - top];
    return within[0] < within[2] && within[1] < within[3] ? within : undefined;
  }

  onScreen() {
    const [left, top] = this.built;
    const [l, t, r, b] = this.box;
    const at = (x, y) => this.viewer.placed([x - left - 0.5, y - top - 0.5]);
    return [...at(l, t), ...at(r, b)];
  }

  // Which sides the pointer is at; inside the frame with Alt all four are moved.
  grip([x, y], all) {
    if (!this.box) return undefined;
    const [l, t, r, b] = this.onScreen();
    const reach = GRIP * (devicePixelRatio || 1);
    if (x < l - reach || x > r + reach || y < t - reach || y > b + reach) return undefined;
    const near = (a, c) => Math.abs(a - c) < reach;
    const sides = [near(x, l), near(y, t), near(x, r), near(y, b)];
    if (sides.some(Boolean)) return sides;
    return all && x > l && x < r && y > t && y < b ? [true, true, true, true] : undefined;
  }

  down(at, all) {
    const sides = this.grip(at, all);
    if (sides) this.held = { sides, at, box: this.box };
    return Boolean(sides);
  }

  move(at) {
    const { sides, at: from, box } = this.held;
    const by = [0, 1].map((i) => (at[i] - from[i]) / this.viewer.scale);
    let next = box.map((v, i) => (sides[i] ? v + by[i % 2] : v));
    const ratio = Number(this.shape.value);
    if (ratio && !sides.every(Boolean)) {
      // The side that is not held follows.
      const wide = sides[0] || sides[2];
      const size = wide ? [next[2] - next[0], (next[2] - next[0]) / ratio] : [(next[3] - next[1]) * ratio, next[3] - next[1]];
      next = [sides[0] ? next[2] - size[0] : next[0], sides[1] ? next[3] - size[1] : next[1], 0, 0];
      next = [next[0], next[1], next[0] + size[0], next[1] + size[1]];
    }
    const [width, height] = this.develop.live.about.full_px;
    if (next[0] >= 0 && next[1] >= 0 && next[2] <= width && next[3] <= height && next[2] - next[0] > 16 && next[3] - next[1] > 16) this.become(next);
  }

  up() {
    this.held = undefined;
  }

  draw(pen) {
    if (!this.box) return;
    const [l, t, r, b] = this.onScreen().map(Math.round);
    const { width, height } = pen.canvas;
    pen.fillStyle = "rgb(0 0 0 / 60%)";
    pen.fillRect(0, 0, width, t);
    pen.fillRect(0, b, width, height - b);
    pen.fillRect(0, t, l, b - t);
    pen.fillRect(r, t, width - r, b - t);
    for (const [line, colour] of [[4, "#000"], [1.5, this.viewer.ink]]) {
      pen.lineWidth = line;
      pen.strokeStyle = colour;
      pen.strokeRect(l, t, r - l, b - t);
      for (const [x, y] of [[l, t], [r, t], [l, b], [r, b]]) pen.strokeRect(x - 5, y - 5, 10, 10);
    }
    if (this.pending) this.drawLevel(pen, [l, t, r, b]);
  }

  // What is kept of it once it is turned to be level.
  drawLevel(pen, [l, t, r, b]) {
    const level = (Number(this.develop.values.level_deg) * Math.PI) / 180;
    if (!level) return;
    const share = keptShare(r - l, b - t, level);
    pen.save();
    pen.translate((l + r) / 2, (t + b) / 2);
    pen.rotate(-level);
    const [x, y] = [(share * (r - l)) / 2, (share * (b - t)) / 2];
    for (const [line, colour] of [[4, "#000"], [1.5, this.viewer.ink]]) {
      pen.lineWidth = line;
      pen.strokeStyle = colour;
      pen.setLineDash([10, 6]);
      pen.strokeRect(-x, -y, 2 * x, 2 * y);
    }
    pen.restore();
  }
}

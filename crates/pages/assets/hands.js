// Two things done with the hand on the picture: the sky drawn under the land, and a line drawn along what should be level.

const LEAST = 40; // screen pixels of a line that tells an angle

export class Hands {
  constructor(develop) {
    this.develop = develop;
    this.viewer = develop.viewer;
    this.buttons = [...this.viewer.querySelectorAll("[data-hand]")];
    for (const button of this.buttons) button.addEventListener("click", () => this.take(button.dataset.hand === this.in ? undefined : button.dataset.hand));
    this.sky = this.viewer.querySelector(".sky-moved");
    this.fields = [...this.sky.querySelectorAll("[data-by]")];
    for (const field of this.fields) field.addEventListener("change", () => this.typed());
    this.stars = this.viewer.querySelector("[data-level=stars]");
    this.stars.addEventListener("click", () => develop.change("level_deg", this.told));
  }

  // The layers' own: what the stars say of the level.
  follow(about) {
    this.told = about.level_deg;
    this.stars.hidden = this.told === null || Math.abs(this.told) > 45;
  }

  // The settings say something else now.
  show(value) {
    this.offset = value.split(",").map(Number);
    this.fields.forEach((field, i) => { if (field !== document.activeElement) field.value = this.offset[i]; });
  }

  typed() {
    const by = this.fields.map((field) => Math.round(Number(field.value.replace(",", "."))));
    if (by.every((v) => Number.isFinite(v) && Math.abs(v) <= 20000)) this.move(by);
    else {
      this.develop.say(this.develop.words.range.replace("{min}", -20000).replace("{max}", 20000).replace("{found}", this.fields.map((f) => f.value).join(", ")));
      this.show(this.develop.values.offset_px);
    }
  }

  move(by) {
    this.develop.change("offset_px", by.map(Math.round).join(", "));
    this.develop.say(this.sky.dataset.told.replace("{right}", this.offset[0]).replace("{down}", this.offset[1]));
  }

  take(what) {
    this.in = what;
    if (what) this.viewer.brush?.choose("move");
    for (const button of this.buttons) button.setAttribute("aria-pressed", button.dataset.hand === what);
    this.viewer.canvas.classList.toggle("handling", Boolean(what));
    if (what) this.viewer.canvas.focus({ preventScroll: true });
  }

  down(at) {
    if (!this.in) return false;
    this.held = { at, to: at, offset: this.offset };
    return true;
  }

  to(at) {
    if (!this.held) return;
    this.held.to = at;
    if (this.in === "sky") {
      const [from, now] = [this.held.at, at].map((p) => this.viewer.inPicture(p));
      this.move(this.held.offset.map((v, i) => v + now[i] - from[i]));
    }
    this.viewer.soon();
  }

  up(lost) {
    const { held } = this;
    this.held = undefined;
    if (!held || lost || this.in !== "line") return;
    const [x, y] = [held.to[0] - held.at[0], held.to[1] - held.at[1]];
    this.viewer.soon();
    if (Math.hypot(x, y) < LEAST * (devicePixelRatio || 1)) return this.develop.say(this.viewer.querySelector(".level").dataset.nothing);
    // A line goes either way; what leans to the left is turned to the right.
    let lean = (Math.atan2(y, x) * 180) / Math.PI;
    if (lean > 90) lean -= 180;
    if (lean < -90) lean += 180;
    const next = Number(this.develop.values.level_deg) - lean;
    this.develop.change("level_deg", Math.min(45, Math.max(-45, Math.round(next * 10) / 10)));
    this.take(undefined);
    return undefined;
  }

  key(event) {
    const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (event.key === "Escape" && this.in) {
      this.take(undefined);
      return true;
    }
    if (this.in !== "sky" || !by || event.ctrlKey || event.metaKey || event.altKey) return false;
    this.move(this.offset.map((v, i) => v + by[i] * (event.shiftKey ? 10 : 1)));
    return true;
  }

  draw(pen) {
    if (!this.held || this.in !== "line") return;
    for (const [width, colour] of [[5, "#000"], [2, this.viewer.ink]]) {
      pen.lineWidth = width;
      pen.strokeStyle = colour;
      pen.beginPath();
      pen.moveTo(...this.held.at);
      pen.lineTo(...this.held.to);
      pen.stroke();
    }
  }
}

// Live development: settings of the picture, shown at once on the part in sight, kept as a draft until the picture is built.
import { Frame } from "./frame.js";
import { Hands } from "./hands.js";
import { send } from "./send.js";
import { levelFor } from "./tiles.js";

const SETTLED_MS = 250; // a drag that has rested so long is one step of undoing
const PAGE = Math.floor(Math.random() * 2 ** 50); // so that the program knows whose questions overtake each other
const RESTS_MS = 120; // a hand that has rested so long is waited for no more
const QUICK = 600000; // pixels of a part that is asked for coarsely first
const MOST = 6e6; // pixels of a part
const STEPS = 200; // kept for undoing

// The developed picture: a coarse whole under the part in sight.
export class Live {
  constructor(changed) {
    this.changed = changed;
    this.layer = "picture";
    this.serial = 0;
    this.name = "live";
  }

  async open() {
    const answer = await fetch("/develop");
    const told = await answer.json();
    if (!answer.ok) throw new Error(told.error);
    const was = this.about;
    this.about = told;
    // The old picture shows until the new one is there, if it has the same pixels.
    if (was?.width_px !== told.width_px || was?.height_px !== told.height_px) this.part = this.latest = this.whole = undefined;
    if (was?.identity !== told.identity) this.serial += 1;
    return told;
  }

  // Other settings, or another layer: all that is shown is asked for again.
  become(values, { layer = this.layer, marks = this.marks, moved = this.moved } = {}) {
    Object.assign(this, { values, layer, marks, moved });
    this.serial += 1;
    this.changedAt = performance.now();
    // What is not wanted any more gives way, unless its answer is near.
    if (this.asked && !this.asked.of) this.giveUp.abort();
    this.changed();
  }

  get ready() {
    return this.settled;
  }

  get settled() {
    return Boolean(this.part) && this.part.serial === this.serial && !this.asking && !this.next;
  }

  // What of the picture is in sight, in pixels of the size nearest to the screen's.
  inSight(view, canvas) {
    const finest = levelFor(this.about, view.scale);
    const part = this.partOf(view, canvas, finest);
    const tooLarge = part && part.width * part.height > MOST && finest + 1 < this.about.levels;
    return tooLarge ? this.partOf(view, canvas, finest + 1) : part;
  }

  partOf(view, canvas, level) {
    const side = 2 ** level * view.scale;
    const span = (offset, room, all) => {
      const from = Math.max(0, Math.floor(-offset / side));
      return [from, Math.min(Math.ceil(all / 2 ** level), Math.ceil((room - offset) / side)) - from];
    };
    const [left, width] = span(view.left, canvas.width, this.about.width_px);
    const [top, height] = span(view.top, canvas.height, this.about.height_px);
    return width > 0 && height > 0 ? { level, left, top, width, height } : undefined;
  }

  draw(pen, view) {
    if (!this.about || !this.values) return;
    pen.imageSmoothingEnabled = view.scale < 2;
    for (const image of [this.whole, this.latest]) {
      if (!image) continue;
      const side = 2 ** image.level * view.scale;
      pen.drawImage(image.canvas, view.left + image.left * side, view.top + image.top * side, image.canvas.width * side, image.canvas.height * side);
    }
    const wanted = this.inSight(view, pen.canvas);
    if (!wanted) return;
    const same = this.part?.serial === this.serial && ["level", "left", "top", "width", "height"].every((k) => this.part.asked[k] === wanted[k]);
    this.next = same ? undefined : wanted;
    this.go();
  }

  // What is asked next: of settings that have just changed a coarse part, if the fine one is large; then the fine one; then
  // the coarse whole, for moving about in.
  wanted() {
    const { next, serial } = this;
    const last = this.about.levels - 1;
    if (next) {
      let coarser = 0;
      while (next.width * next.height > QUICK * 4 ** coarser && next.level + coarser < last) coarser += 1;
      if (!coarser) return next;
      if (this.latest?.serial === serial) {
        // Not while a hand still drags.
        const rest = RESTS_MS - (performance.now() - this.changedAt);
        if (rest <= 0) return next;
        clearTimeout(this.later);
        this.later = setTimeout(this.changed, rest);
        return undefined;
      }
      const less = (from, size) => [from >> coarser, Math.ceil((from + size) / 2 ** coarser) - (from >> coarser)];
      const [left, width] = less(next.left, next.width);
      const [top, height] = less(next.top, next.height);
      return { level: next.level + coarser, left, top, width, height, of: "quick" };
    }
    if (this.whole?.serial === serial) return undefined;
    return { level: last, left: 0, top: 0, width: 1 << 14, height: 1 << 14, of: "whole" };
  }

  // One question at a time; what was wanted meanwhile is asked next, the rest never.
  async go() {
    const asked = this.asking ? undefined : this.wanted();
    if (!asked) return;
    this.asking = true;
    this.asked = asked;
    this.giveUp = new AbortController();
    const { serial } = this;
    const began = performance.now();
    try {
      const image = await this.ask(asked);
      Object.assign(image, { serial, asked, level: asked.level, left: asked.left, top: asked.top });
      if (asked.of === "whole") this.whole = image;
      else {
        this.latest = image;
        if (!asked.of) this.part = image;
        this.ms = performance.now() - began;
        this.answers = (this.answers ?? 0) + 1;
        this.told?.(image.tally);
      }
    } catch (error) {
      // A picture built meanwhile has other layers.
      if (error.anew) await this.open().catch(() => {});
      else if (error.name !== "AbortError") this.failed?.(error.message);
      if (error.name !== "AbortError") await new Promise((done) => setTimeout(done, 300));
    } finally {
      this.asking = false;
      this.asked = undefined;
      this.changed();
    }
  }

  async ask({ level, left, top, width, height }) {
    const answer = await fetch("/develop/view", {
      method: "POST",
      headers: { "content-type": "application/json" },
      signal: this.giveUp.signal,
      body: JSON.stringify({ page: PAGE, identity: this.about.identity, values: this.values, level, left, top, width, height, layer: this.layer, marks: Boolean(this.marks), sky_moved_px: this.moved ?? [0, 0] }),
    });
    if (!answer.ok) {
      const told = await answer.json().catch(() => ({}));
      throw Object.assign(new Error(told.error ?? `${answer.status}`), { anew: answer.status === 409 });
    }
    const bytes = await answer.arrayBuffer();
    const length = new DataView(bytes).getUint32(0, true);
    const head = JSON.parse(new TextDecoder().decode(new Uint8Array(bytes, 4, length)));
    const canvas = document.createElement("canvas");
    Object.assign(canvas, { width: head.width, height: head.height });
    const pixels = new Uint8ClampedArray(bytes, 4 + length, head.width * head.height * 4);
    canvas.getContext("2d", { alpha: false }).putImageData(new ImageData(pixels, head.width, head.height), 0, 0);
    return { canvas, tally: head.tally };
  }

  // Red, green and blue on the screen at a pixel of the full size, if the part in sight has just that.
  at(x, y) {
    const { part } = this;
    if (!part || part !== this.latest || part.level !== 0) return undefined;
    const [i, j] = [x - part.left, y - part.top];
    if (i < 0 || j < 0 || i >= part.canvas.width || j >= part.canvas.height) return undefined;
    return [...part.canvas.getContext("2d").getImageData(i, j, 1, 1).data].slice(0, 3);
  }
}

// The controls, and what was done with them.
export class Develop {
  constructor(viewer) {
    this.viewer = viewer;
    this.panel = viewer.querySelector(".develop");
    this.live = new Live(viewer.soon);
    this.live.told = (tally) => this.tell(tally);
    this.live.failed = (words) => this.say(words);
    this.said = this.panel.querySelector("[role=status]");
    this.words = this.panel.dataset;
    this.past = [];
    this.future = [];
    this.rows = new Map();
    for (const row of viewer.querySelectorAll("[data-live]")) this.listen(row);
    this.frame = new Frame(this);
    this.hands = new Hands(this);
    this.text = viewer.querySelector("[data-recipe]");
    this.text.addEventListener("change", () => this.take(this.text.value));
    for (const button of this.panel.querySelectorAll("[data-step]")) button.addEventListener("click", () => this[button.dataset.step]());
    this.panel.querySelector("[data-marks]").addEventListener("input", (e) => this.look({ marks: e.target.checked }));
    document.addEventListener("keydown", (e) => this.key(e));
    // What a hand does before it lets go is one step, however slowly.
    document.addEventListener("pointerdown", () => { this.hand = {}; }, true);
    for (const end of ["pointerup", "pointercancel"]) document.addEventListener(end, () => { this.hand = undefined; });
    document.addEventListener("before-build", ({ detail }) => detail.wait.push(this.keep()));
    document.addEventListener("outing", ({ detail }) => {
      if (detail.what === "settings" && detail.version !== this.version) this.follow();
    });
  }

  async open() {
    const told = await this.live.open();
    this.kept = told.kept;
    this.built = told.built ?? undefined;
    this.usual = told.usual;
    this.version = told.version;
    this.hands.follow(told);
    const draft = JSON.parse(localStorage.getItem(this.place) ?? "null");
    this.set({ ...told.kept, ...draft }, false);
  }

  // The file says something else now: what is not in hand here follows it.
  async follow() {
    const before = this.kept;
    const told = await this.live.open().catch(() => undefined);
    if (!told) return;
    this.kept = told.kept;
    this.built = told.built ?? undefined;
    this.version = told.version;
    this.hands.follow(told);
    const untouched = (key) => this.values[key] === before[key];
    const values = Object.fromEntries(Object.keys(this.values).map((key) => [key, untouched(key) ? told.kept[key] : this.values[key]]));
    this.set(values, false);
  }

  get place() {
    return `draft ${this.live.about.outing}`;
  }

  listen(row) {
    const { live: key } = row.dataset;
    if (key === "crop" || key === "offset_px") return this.rows.set(key, { row });
    const slider = row.querySelector("input[type=range]");
    const field = row.querySelector("input:not([type=range]), select");
    this.rows.set(key, { row, slider, field });
    const take = (value) => this.change(key, value);
    slider?.addEventListener("input", () => take(slider.value));
    field.addEventListener("change", () => {
      const value = field.value.trim().replace(",", ".");
      const { min, max } = slider ?? {};
      const good = !slider || (value !== "" && Number.isFinite(Number(value)) && Number(value) >= Number(min) && Number(value) <= Number(max));
      field.setAttribute("aria-invalid", !good);
      if (good) take(value);
      else this.say(this.words.range.replace("{min}", min).replace("{max}", max).replace("{found}", field.value));
    });
    row.addEventListener("dblclick", (e) => {
      if (e.target !== field) take(this.usual[key]);
    });
    // The wheel moves what is in hand, and scrolls the page over all else.
    row.addEventListener("wheel", (e) => {
      if (!slider || ![slider, field].includes(document.activeElement)) return;
      e.preventDefault();
      const next = Number(this.values[key]) - Math.sign(e.deltaY) * Number(slider.step) * (e.shiftKey ? 5 : 1);
      take(Math.min(Number(slider.max), Math.max(Number(slider.min), next)));
    }, { passive: false });
    return undefined;
  }

  // What is seen at once, of all values.
  get seen() {
    const now = ([key]) => this.rows.has(key) && !("later" in this.rows.get(key).row.dataset);
    return Object.fromEntries(Object.entries(this.values).filter(now));
  }

  // The same as it is looked at: a frame is drawn before the picture is turned.
  get looked() {
    return this.frame.pending ? { ...this.seen, level_deg: "0" } : this.seen;
  }

  // From where the layers have the sky to where it is wanted.
  get skyMoved() {
    const [now, then] = [this.values.offset_px, this.built?.offset_px ?? this.kept.offset_px].map((v) => v.split(",").map(Number));
    return now.map((v, i) => Math.round(v - then[i]));
  }

  change(key, value) {
    const text = this.rows.get(key).slider ? String(Math.round(Number(value) * 1e4) / 1e4) : String(value);
    if (text === this.values[key]) return;
    // What is dragged in one go is undone in one go.
    const now = performance.now();
    const goesOn = this.hand ? this.hand === this.lastHand : now - this.lastAt <= SETTLED_MS * 4;
    if (key !== this.lastKey || !goesOn) {
      this.past.push(this.values);
      if (this.past.length > STEPS) this.past.shift();
    }
    [this.lastKey, this.lastAt, this.lastHand] = [key, now, this.hand];
    this.future = [];
    this.set({ ...this.values, [key]: text });
  }

  set(values, store = true) {
    this.values = values;
    for (const [key, { row, slider, field }] of this.rows) {
      if (slider) slider.value = values[key];
      if (key === "crop") this.frame.follow(values[key]);
      else if (key === "offset_px") this.hands.show(values[key]);
      else if (field !== document.activeElement || field.tagName === "SELECT" || Number(field.value.replace(",", ".")) !== Number(values[key])) field.value = values[key];
      row.toggleAttribute("data-moved", Boolean(this.built) && !this.same(key, this.built));
    }
    if (this.text !== document.activeElement) this.text.value = this.recipe;
    if (store) {
      const draft = Object.fromEntries(Object.entries(values).filter(([key]) => !this.same(key, this.kept)));
      if (Object.keys(draft).length) localStorage.setItem(this.place, JSON.stringify(draft));
      else localStorage.removeItem(this.place);
    }
    this.panel.querySelector("[data-step=undo]").disabled = !this.past.length;
    this.panel.querySelector("[data-step=redo]").disabled = !this.future.length;
    this.panel.querySelector("[data-step=asBuilt]").disabled = !this.built || !this.moved.length;
    this.differs();
    this.look();
  }

  look(more = {}) {
    const { looked } = this;
    this.viewer.turned(Number(looked.level_deg));
    this.live.become(looked, { moved: this.skyMoved, ...more });
  }

  same(key, other) {
    const [a, b] = [this.values[key], other[key]];
    return a === b || b === undefined || (this.rows.get(key)?.slider && Number(a) === Number(b));
  }

  // The settings as they stand in an outing's file, to be copied to another outing.
  get recipe() {
    const told = ([key, value]) => {
      if (/^-?[\d.]+$/.test(value) || value === "true" || value === "false") return `${key} = ${value}`;
      return /,/.test(value) ? `${key} = [${value}]` : `${key} = "${value}"`;
    };
    const picture = Object.entries(this.values).filter(([key]) => key !== "offset_px");
    return `[picture]\n${picture.map(told).join("\n")}\n`;
  }

  // Settings as text, from another outing perhaps: what is known and possible is taken, in one step.
  take(text) {
    const taken = {};
    for (const line of text.split("\n")) {
      const [, key, value] = line.match(/^\s*(\w+)\s*=\s*(.*?)\s*(#.*)?$/) ?? [];
      if (!(key in this.values)) continue;
      const plain = value.replace(/^["[]|["\]]$/g, "");
      const { slider, field } = this.rows.get(key) ?? {};
      const known = slider ? plain !== "" && Number(plain) >= Number(slider.min) && Number(plain) <= Number(slider.max) : field ? [...field.options].some((o) => o.value === plain) : true;
      if (!known) return this.say(this.words.line.replace("{line}", line.trim()));
      taken[key] = slider ? String(Number(plain)) : plain;
    }
    this.all(taken);
    this.text.value = this.recipe;
    return undefined;
  }

  get moved() {
    return this.built ? [...this.rows.keys()].filter((key) => !this.same(key, this.built)) : [];
  }

  differs() {
    const names = this.moved.map((key) => this.rows.get(key).row.dataset.name);
    this.say(!this.built ? this.words.unknown : names.length ? this.words.differs.replace("{what}", names.join(", ")) : this.words.built);
  }

  say(words) {
    this.said.textContent = words;
  }

  step(from, to) {
    if (!from.length) return;
    to.push(this.values);
    this.lastKey = undefined;
    this.set(from.pop());
  }

  undo() {
    this.step(this.past, this.future);
  }

  redo() {
    this.step(this.future, this.past);
  }

  all(values) {
    this.past.push(this.values);
    this.future = [];
    this.lastKey = undefined;
    this.set({ ...this.values, ...values });
  }

  asBuilt() {
    if (this.built) this.all(this.built);
  }

  asUsual() {
    this.all(this.usual);
  }

  key(event) {
    if (event.defaultPrevented || !(event.ctrlKey || event.metaKey) || event.altKey) return;
    if (event.target.closest?.("textarea, input:not([type=range], [type=checkbox], [type=radio])")) return;
    const key = event.key.toLowerCase();
    if (key === "z" && !event.shiftKey) this.undo();
    else if (key === "y" || key === "z") this.redo();
    else return;
    event.preventDefault();
  }

  // The draft goes into the outing's settings.
  async keep() {
    const changed = Object.fromEntries([...this.rows.keys()].filter((key) => !this.same(key, this.kept)).map((key) => [key, { was: this.kept[key], value: this.values[key] }]));
    if (!Object.keys(changed).length) return;
    const told = await send("/develop/keep", { changed });
    this.version = told.version;
    this.kept = told.kept;
    localStorage.removeItem(this.place);
  }

  tell(tally) {
    const { clipped } = this.words;
    const share = (n) => `${((100 * n) / Math.max(1, tally.all)).toFixed(n ? 2 : 0)} %`;
    this.panel.querySelector(".clipped").textContent = clipped.replace("{black}", share(tally.black)).replace("{white}", share(tally.white));
    const canvas = this.panel.querySelector("canvas");
    const pen = canvas.getContext("2d");
    const style = getComputedStyle(document.documentElement);
    const red = document.documentElement.dataset.look === "red";
    const inks = red ? ["--ink", "--soft", "--ink"].map((name) => style.getPropertyValue(name).trim()) : ["#b3261e", "#1b7f3b", "#2456c4"];
    const { width, height } = canvas;
    pen.fillStyle = style.getPropertyValue("--paper").trim();
    pen.fillRect(0, 0, width, height);
    // The ends are told in words; a root keeps the few bright pixels in sight.
    const most = Math.sqrt(Math.max(1, ...tally.bins.flatMap((bins) => bins.slice(1, -1))));
    tally.bins.forEach((bins, c) => {
      pen.strokeStyle = inks[c];
      pen.lineWidth = 1.5;
      pen.setLineDash([[], [6, 3], [2, 2]][c]);
      pen.beginPath();
      bins.forEach((n, i) => pen.lineTo(((i + 0.5) / bins.length) * width, height - 1 - Math.min(1, Math.sqrt(n) / most) * (height - 3)));
      pen.stroke();
    });
    this.panel.dataset.answers = this.live.answers;
  }
}

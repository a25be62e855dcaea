// The aim, dragged over the view. The server draws; this asks for the next drawing when the last one is there.

const STEP_MS = 300000; // the night's charts are worked out every five minutes

class Aim extends HTMLElement {
  connectedCallback() {
    this.picture = this.querySelector("img");
    this.base = new URL(this.getAttribute("src"), location);
    this.drawn = 0;
    this.picture.addEventListener("pointerdown", (e) => this.grab(e));
    this.picture.addEventListener("pointermove", (e) => this.drag(e));
    this.picture.addEventListener("pointerup", (e) => this.drop(e));
    this.picture.addEventListener("pointercancel", (e) => this.drop(e));
    this.picture.addEventListener("keydown", (e) => this.key(e));
    this.said = this.querySelector("[role=status]");
    this.moment = this.querySelector(".moment");
    this.slider = this.moment.querySelector("input");
    this.slider.addEventListener("input", () => this.turn(new Date(this.night[0] + Number(this.slider.value) * STEP_MS)));
    this.slider.addEventListener("change", () => this.settle());
    this.moment.querySelector("button").addEventListener("click", () => {
      this.turn(undefined);
      this.settle();
    });
    this.begin();
  }

  // Without a night there is nothing to turn.
  async begin() {
    try {
      await this.geometry();
      this.moment.hidden = false;
    } catch (error) {
      this.said.textContent = error.message;
    }
  }

  // Another moment of the night; none for the one that the picture is aimed for.
  turn(at) {
    if (at) this.base.searchParams.set("view-at", at.toISOString().replace(".000", ""));
    else this.base.searchParams.delete("view-at");
    this.draw();
  }

  follow() {
    const { at, clock, night } = this.known;
    this.night = night.map((t) => Date.parse(t));
    this.slider.setAttribute("aria-valuetext", clock);
    this.moment.querySelector("output").textContent = clock;
    if (document.activeElement !== this.slider) this.slider.value = Math.round((Date.parse(at) - this.night[0]) / STEP_MS);
  }

  async geometry() {
    if (this.known) return this.known;
    const url = new URL(this.base);
    url.pathname = "/chart/view.json";
    if (this.aim) url.searchParams.set("aim", this.aim.map((d) => d.toFixed(2)).join(","));
    const answer = await fetch(url);
    if (!answer.ok) throw new Error((await answer.json()).error);
    this.known = await answer.json();
    this.aim = this.known.aim_deg;
    this.follow();
    return this.known;
  }

  async grab(event) {
    this.picture.setPointerCapture(event.pointerId);
    event.preventDefault();
    this.picture.focus();
    const { window: seen, on_sheet: [left, , right], sheet: [wide] } = await this.geometry();
    if (!this.aim) return;
    const across = this.picture.clientWidth * (right - left) / wide;
    this.perPixel = (seen.azimuth_deg[1] - seen.azimuth_deg[0]) / across;
    this.from = { x: event.clientX, y: event.clientY, aim: [...this.aim] };
    this.toggleAttribute("data-moving", true);
  }

  drag(event) {
    if (!this.from) return;
    this.to(
      this.from.aim[0] + (event.clientX - this.from.x) * this.perPixel,
      this.from.aim[1] - (event.clientY - this.from.y) * this.perPixel,
    );
  }

  drop(event) {
    if (!this.from) return;
    this.from = null;
    this.toggleAttribute("data-moving", false);
    this.settle();
  }

  async key(event) {
    const step = event.shiftKey ? 1 : 5;
    const move = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] }[event.key];
    if (!move) return;
    event.preventDefault();
    await this.geometry();
    if (!this.aim) return;
    this.to(this.aim[0] + move[0], this.aim[1] + move[1]);
    this.settle();
  }

  to(azimuth, altitude) {
    this.aim = [((azimuth % 360) + 360) % 360, Math.min(90, Math.max(-30, altitude))];
    this.draw();
  }

  // One question at a time; what happened meanwhile is asked next.
  async draw() {
    if (this.asking) {
      this.again = true;
      return;
    }
    this.asking = true;
    do {
      this.again = false;
      const url = new URL(this.base);
      if (this.aim) url.searchParams.set("aim", this.aim.map((d) => d.toFixed(2)).join(","));
      const seen = this.known?.window;
      if (seen && (this.from || this.held)) url.searchParams.set("window", [...seen.azimuth_deg, ...seen.altitude_deg].join(","));
      const next = new Image();
      next.src = url;
      try {
        await next.decode();
        this.picture.src = next.src;
        this.drawn += 1;
      } catch {
        break;
      }
    } while (this.again);
    this.asking = false;
  }

  // Let go: the view centres anew, and the address keeps the aim.
  settle() {
    this.known = this.known && { ...this.known };
    const here = new URL(location);
    if (this.aim) here.searchParams.set("aim", this.aim.map((d) => d.toFixed(1)).join(","));
    const at = this.base.searchParams.get("view-at");
    if (at) here.searchParams.set("view-at", at);
    else here.searchParams.delete("view-at");
    history.replaceState(null, "", here);
    for (const name of ["aim", "view-at"]) {
      const field = document.querySelector(`input[name=${name}]`);
      if (field) field.value = here.searchParams.get(name) ?? "";
    }
    this.draw()?.then(() => {
      this.known = null;
      return this.geometry();
    }).catch((error) => { this.said.textContent = error.message; });
  }
}

customElements.define("nl-aim", Aim);

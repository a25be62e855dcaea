// The aim, dragged over the view. The server draws; this asks for the next drawing when the last one is there.

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
      const { azimuth_deg, altitude_deg } = this.known.window;
      url.searchParams.set("aim", this.aim.map((d) => d.toFixed(2)).join(","));
      if (this.from || this.held) url.searchParams.set("window", [...azimuth_deg, ...altitude_deg].join(","));
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
    here.searchParams.set("aim", this.aim.map((d) => d.toFixed(1)).join(","));
    history.replaceState(null, "", here);
    const field = document.querySelector("input[name=aim]");
    if (field) field.value = here.searchParams.get("aim");
    this.draw().then(() => { this.known = null; });
  }
}

customElements.define("nl-aim", Aim);

// The year's chart leads to its nights: by a press on one, and by a list of the best for keys and readers.
class Year extends HTMLElement {
  connectedCallback() {
    this.picture = this.querySelector("img");
    this.list = this.querySelector(".best");
    this.picture.addEventListener("load", () => this.learn(), { once: true });
    if (this.picture.complete) this.learn();
    this.picture.addEventListener("click", (e) => this.go(this.night(e)));
    this.picture.addEventListener("pointermove", (e) => {
      const night = this.night(e);
      this.picture.title = night ?? "";
      this.picture.style.cursor = night ? "pointer" : "";
    });
  }

  // Asked once the chart is there: the nights are worked out then.
  async learn() {
    if (this.known) return;
    const url = new URL(this.picture.src);
    url.pathname = "/chart/year.json";
    const answer = await fetch(url).catch(() => undefined);
    if (!answer?.ok || this.known) return;
    this.known = await answer.json();
    this.list.replaceChildren(...this.known.best.map((of) => this.told(of)));
  }

  told({ subject, nights }) {
    const line = document.createElement("p");
    line.append(`${[subject, this.list.dataset.best].filter(Boolean).join(": ")} `);
    nights.forEach(([date, hours], i) => {
      const link = document.createElement("a");
      Object.assign(link, { href: this.address(date), textContent: date });
      line.append(i ? ", " : "", link, ` (${hours})`);
    });
    if (!nights.length) line.append(this.list.dataset.none);
    return line;
  }

  // The date of the night under a pointer.
  night(event) {
    if (!this.known) return undefined;
    const box = this.picture.getBoundingClientRect();
    const by = this.known.sheet[0] / box.width;
    const [x, y] = [(event.clientX - box.left) * by, (event.clientY - box.top) * by];
    return this.known.cells.find(([, [left, top, right, foot]]) => x >= left && x < right && y >= top && y < foot)?.[0];
  }

  address(date) {
    const here = new URL(location);
    here.searchParams.set("date", date);
    // A moment of another night is none of this one's.
    here.searchParams.delete("view-at");
    return `${here.pathname}${here.search}`;
  }

  go(date) {
    if (date) location.assign(this.address(date));
  }
}

customElements.define("nl-year", Year);

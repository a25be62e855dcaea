// The sheet of frames while they land: each new one comes in at its place, and the course of the night is told anew.
import { waits } from "./verdict.js";

const FEW = 8;

class Frames extends HTMLElement {
  connectedCallback() {
    this.sheet = this.querySelector("ul");
    this.course = this.querySelector(".course");
    this.hear = (event) => this.told(event.detail);
    this.judged = () => this.later();
    document.addEventListener("outing", this.hear);
    document.addEventListener("judged", this.judged);
    this.missed = () => this.catchUp();
    document.addEventListener("missed", this.missed);
  }

  disconnectedCallback() {
    document.removeEventListener("outing", this.hear);
    document.removeEventListener("judged", this.judged);
    document.removeEventListener("missed", this.missed);
  }

  place(name) {
    return [...this.sheet.children].find((item) => item.dataset.name === name);
  }

  async told({ what, name }) {
    if (what === "frame-gone") this.place(name)?.remove();
    if (what !== "frame") return;
    const answer = await fetch(`/frames/item?name=${encodeURIComponent(name)}`);
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const item = document.importNode(page.querySelector("li"), true);
    item.toggleAttribute("data-new", true);
    this.place(name)?.remove();
    const after = [...this.sheet.children].find((other) => other.dataset.name > name);
    this.sheet.insertBefore(item, after ?? null);
    // What has just landed is judged whether it is in sight or not, unless a whole card lands.
    if (waits() < FEW) item.querySelector("nl-verdict")?.soon();
    this.querySelector(".none").hidden = true;
  }

  // What landed or went while no news came.
  async catchUp() {
    const page = new DOMParser().parseFromString(await (await fetch("/frames")).text(), "text/html");
    const there = [...page.querySelectorAll("nl-frames ul.sheet > li")].map((item) => item.dataset.name);
    const here = [...this.sheet.children].map((item) => item.dataset.name);
    for (const name of here) if (!there.includes(name)) await this.told({ what: "frame-gone", name });
    for (const name of there) if (!here.includes(name)) await this.told({ what: "frame", name });
  }

  // Several verdicts at once tell the course once.
  later() {
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.tell(), 300);
  }

  async tell() {
    const answer = await fetch("/frames/course");
    if (!answer.ok) return;
    const { lines, alarm, over } = await answer.json();
    const list = document.createElement("ul");
    for (const line of lines) {
      const item = document.createElement("li");
      item.toggleAttribute("data-alarm", line.alarm);
      item.textContent = `${line.alarm ? `${alarm}: ` : ""}${line.what}: ${line.figure}`;
      list.append(item);
    }
    const head = document.createElement("strong");
    head.textContent = over;
    this.course.replaceChildren(...(lines.length ? [head, list] : []));
  }
}

customElements.define("nl-frames", Frames);

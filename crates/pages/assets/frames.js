// The sheet of frames while they land: each new one comes in at its place, and the course of the night is told anew.
import { send } from "./send.js";
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
    this.addEventListener("change", (e) => this.say(e.target.closest(".say")));
  }

  // What is said of a frame goes into the outing's settings.
  async say(row) {
    if (!row) return;
    const [role, used] = ["role", "use"].map((name) => row.querySelector(`[name=${name}]`));
    const said = row.querySelector(".said");
    try {
      const told = await send("/frames/say", { name: row.closest("li").dataset.name, was: [row.dataset.role, row.dataset.use], role: role.value, used: used.value });
      row.dataset.role = role.value;
      row.dataset.use = used.value;
      said.textContent = told.words;
    } catch (error) {
      role.value = row.dataset.role;
      used.value = row.dataset.use;
      said.textContent = error.message;
    }
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
    // One frame looked at closely is no sheet.
    if (this.sheet.classList.contains("single")) return;
    if (what === "frame-gone") this.place(name)?.remove();
    if (what !== "frame") return;
    const answer = await fetch(`/frames/item?name=${encodeURIComponent(name)}`);
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const item = document.importNode(page.querySelector("li"), true);
    item.toggleAttribute("data-new", true);
    this.place(name)?.remove();
    // Frames stand in the order in which they were taken: what lands is the latest.
    this.sheet.append(item);
    // What has just landed is judged whether it is in sight or not, unless a whole card lands.
    if (waits() < FEW) item.querySelector("nl-verdict")?.soon();
    this.querySelector(".none").hidden = true;
  }

  // What landed or went while no news came.
  async catchUp() {
    if (this.sheet.classList.contains("single")) return;
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
    const { lines, alarm, over, verdicts } = await answer.json();
    // Beside the others a frame may be another than by itself.
    for (const { name, told } of verdicts) this.place(name)?.querySelector("nl-verdict")?.show(told.cause, told.figure, told.next);
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

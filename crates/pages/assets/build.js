// The build: started, watched and stopped from any page that shows it.
import { send } from "./send.js";

class Build extends HTMLElement {
  connectedCallback() {
    this.start = this.querySelector("[data-do=start]");
    this.stop = this.querySelector("[data-do=stop]");
    this.shown = this.querySelector(".progress");
    this.bar = this.querySelector("progress");
    this.words = this.querySelector("[role=status]");
    this.notes = this.querySelector(".notes");
    this.start.addEventListener("click", () => this.begin());
    this.stop.addEventListener("click", () => this.ask("/build/stop", true));
    this.hear = (event) => this.told(event.detail);
    document.addEventListener("outing", this.hear);
  }

  disconnectedCallback() {
    document.removeEventListener("outing", this.hear);
  }

  // What is still in hand on the page is kept first.
  async begin() {
    const wait = [];
    document.dispatchEvent(new CustomEvent("before-build", { detail: { wait } }));
    try {
      await Promise.all(wait);
    } catch (error) {
      this.shown.hidden = false;
      this.words.textContent = error.message;
      return;
    }
    await this.ask("/build", true);
  }

  async ask(path, running) {
    try {
      await send(path);
      this.running(running);
    } catch (error) {
      this.shown.hidden = false;
      this.words.textContent = error.message;
    }
  }

  running(is) {
    this.start.disabled = is;
    this.stop.disabled = !is;
    this.shown.hidden = false;
    if (is && !this.bar.hasAttribute("value")) this.bar.value = 0;
  }

  told(news) {
    if (news.what === "progress") {
      this.running(true);
      this.bar.value = news.part;
      this.words.textContent = `${Math.round(news.part * 100)} %, ${news.stage}${news.note ? `: ${news.note}` : ""}`;
    } else if (news.what === "note") {
      const line = document.createElement("li");
      line.textContent = news.words;
      this.notes.append(line);
    } else if (news.what === "built") {
      this.running(false);
      this.bar.value = news.ok ? 1 : this.bar.value;
      this.words.textContent = news.words;
      this.dataset.ended = news.ok ? "made" : "not-made";
      // A page that shows a picture already brings the new one in by itself.
      if (news.ok && !document.querySelector("nl-viewer")) location.reload();
    }
  }
}

customElements.define("nl-build", Build);

// The verdict on each frame of the sheet, asked one after another while the frame is in sight.

const waiting = [];
let asking = false;

async function next() {
  if (asking) return;
  asking = true;
  while (waiting.length) {
    const place = waiting.shift();
    if (place.isConnected) await place.ask();
  }
  asking = false;
}

const seen = new IntersectionObserver((entries) => {
  for (const { isIntersecting, target } of entries) {
    if (!isIntersecting) continue;
    seen.unobserve(target);
    waiting.push(target);
  }
  next();
});

class Verdict extends HTMLElement {
  connectedCallback() {
    seen.observe(this);
  }

  async ask() {
    try {
      const answer = await fetch(`/verdict?name=${encodeURIComponent(this.dataset.name)}`);
      const told = await answer.json();
      if (!answer.ok) throw new Error(told.error);
      this.show(told.cause, told.figure, told.next);
    } catch (error) {
      this.show("", error.message, "");
    }
  }

  show(cause, figure, next) {
    const line = (tag, words) => {
      if (!words) return;
      const part = document.createElement(tag);
      part.textContent = words;
      this.append(part);
    };
    this.replaceChildren();
    line("strong", cause);
    line("span", figure);
    line("em", next);
  }
}

customElements.define("nl-verdict", Verdict);

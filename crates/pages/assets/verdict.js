// The verdict on each frame of the sheet, asked while the frame is in sight, two at a time.

const AT_A_TIME = 2;
const waiting = [];
let asking = 0;

// How many wait to be judged.
export const waits = () => waiting.length;

async function next() {
  if (asking === AT_A_TIME || !waiting.length) return;
  asking += 1;
  const place = waiting.shift();
  if (place.isConnected) await place.ask();
  asking -= 1;
  next();
}

const seen = new IntersectionObserver((entries) => {
  for (const { isIntersecting, target } of entries) if (isIntersecting) target.soon();
});

class Verdict extends HTMLElement {
  connectedCallback() {
    seen.observe(this);
  }

  disconnectedCallback() {
    seen.unobserve(this);
  }

  soon() {
    seen.unobserve(this);
    if (this.asked) return;
    this.asked = true;
    waiting.push(this);
    next();
  }

  async ask() {
    try {
      const answer = await fetch(`/verdict?name=${encodeURIComponent(this.dataset.name)}`);
      const told = await answer.json();
      if (!answer.ok) throw new Error(told.error);
      this.show(told.cause, told.figure, told.next);
      document.dispatchEvent(new CustomEvent("judged"));
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

// The picture given away: written beside the results, and handed to the browser.
import { send } from "./send.js";

export class Export {
  constructor(viewer) {
    this.viewer = viewer;
    this.panel = viewer.querySelector(".export");
    this.said = this.panel.querySelector("[role=status]");
    this.button = this.panel.querySelector("[data-do=export]");
    this.button.addEventListener("click", () => this.write());
  }

  value(name) {
    return this.panel.querySelector(`[name=${name}]`).value.trim();
  }

  async write() {
    const { develop } = this.viewer;
    const long = this.value("long");
    // What comes in at the border is in no layer yet.
    if (develop.skyMoved.some(Boolean)) {
      this.said.textContent = this.panel.dataset.moved;
      return;
    }
    this.button.disabled = true;
    this.said.textContent = this.panel.dataset.wait;
    try {
      const told = await send("/export", {
        identity: develop.live.about.identity,
        values: develop.seen,
        kind: this.value("kind"),
        long_px: long === "" ? null : Math.round(Number(long)),
        sharpen: Number(this.value("sharpen")),
        crop: develop.frame?.inPicture ?? null,
      });
      this.said.textContent = told.words;
      const item = document.createElement("li");
      const link = document.createElement("a");
      link.href = `/export/file?name=${encodeURIComponent(told.name)}`;
      link.download = told.name;
      link.textContent = `${this.panel.dataset.save} ${told.name}`;
      item.append(link);
      this.panel.querySelector(".written").prepend(item);
    } catch (error) {
      this.said.textContent = error.message;
    } finally {
      this.button.disabled = false;
    }
  }
}

// Finished pictures: compared with what is in hand, and brought back.

export class Versions {
  constructor(viewer) {
    this.viewer = viewer;
    this.panel = viewer.querySelector(".versions");
    this.list = this.panel.querySelector("ol");
    this.against = viewer.querySelector("[data-over=against]");
    this.load();
  }

  async load() {
    const answer = await fetch("/versions");
    if (!answer.ok) return;
    const all = await answer.json();
    this.list.replaceChildren(...all.map((version) => this.item(version)));
    if (!this.against) return;
    const chosen = this.against.value;
    for (const old of this.against.querySelectorAll("[data-version]")) old.remove();
    for (const version of all) {
      const option = new Option(version.name, version.preview);
      option.dataset.version = version.number;
      option.dataset.level = version.values?.level_deg ?? 0;
      this.against.append(option);
    }
    if ([...this.against.options].some((option) => option.value === chosen)) this.against.value = chosen;
  }

  item(version) {
    const item = document.createElement("li");
    item.dataset.number = version.number;
    const line = (tag, words, soft) => {
      const part = document.createElement(tag);
      part.textContent = words;
      part.classList.toggle("soft", Boolean(soft));
      item.append(part);
      return part;
    };
    line("strong", version.name);
    line("p", `${new Date(version.at).toLocaleString()} · ${version.words}`, true);
    if (version.changed) line("p", version.changed);
    const button = (words, act) => {
      const made = line("button", words);
      made.type = "button";
      made.setAttribute("aria-label", `${words}: ${version.name}`);
      made.addEventListener("click", act);
    };
    button(this.panel.dataset.compare, () => this.compare(version));
    if (version.values && this.viewer.develop) button(this.panel.dataset.restore, () => this.viewer.develop.all(version.values));
    return item;
  }

  compare(version) {
    const { viewer } = this;
    this.against.value = version.preview;
    viewer.querySelector("[data-over=before]").checked = true;
    viewer.over();
    viewer.canvas.scrollIntoView({ block: "nearest" });
  }
}

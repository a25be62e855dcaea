// Frames dropped on the pole's page, or chosen from a list: sent one by one, then the axis is measured from them.

class Drop extends HTMLElement {
  connectedCallback() {
    this.field = this.querySelector("input[type=file]");
    this.said = this.querySelector("[role=status]");
    this.field.addEventListener("change", () => this.take([...this.field.files]));
    this.addEventListener("dragover", (e) => {
      e.preventDefault();
      this.toggleAttribute("data-over", true);
    });
    this.addEventListener("dragleave", () => this.toggleAttribute("data-over", false));
    this.addEventListener("drop", (e) => {
      e.preventDefault();
      this.toggleAttribute("data-over", false);
      this.take([...e.dataTransfer.files]);
    });
  }

  async take(files) {
    if (!files.length || this.busy) return;
    this.busy = true;
    files.sort((a, b) => a.name.localeCompare(b.name, "en", { numeric: true }));
    const ids = [];
    try {
      for (const [n, file] of files.entries()) {
        this.said.textContent = `${n + 1} / ${files.length}: ${file.name}`;
        const answer = await fetch(`/dropped?name=${encodeURIComponent(file.name)}`, {
          method: "POST",
          headers: { "content-type": "application/octet-stream" },
          body: file,
        });
        const told = await answer.json().catch(() => ({}));
        if (!answer.ok) throw new Error(told.error ?? `${answer.status}`);
        ids.push(told.id);
      }
      this.said.textContent = this.dataset.measuring;
      this.measure(ids);
    } catch (error) {
      this.said.textContent = error.message;
      this.busy = false;
    }
  }

  // One frame after a measured axis updates it; otherwise the axis is that of the new frames.
  measure(ids) {
    const here = new URL(location);
    const asked = here.searchParams;
    if (ids.length === 1 && asked.get("first") && asked.get("second")) {
      asked.set("then", ids[0]);
    } else if (ids.length === 1 && asked.get("first")) {
      asked.set("second", ids[0]);
    } else {
      asked.delete("then");
      asked.delete("second");
      asked.set("first", ids[0]);
      if (ids.length > 1) asked.set("second", ids[1]);
      asked.set("more", ids.slice(2).join(","));
    }
    here.hash = "axis";
    location.assign(here);
    if (here.href === location.href) location.reload();
  }
}

customElements.define("nl-drop", Drop);

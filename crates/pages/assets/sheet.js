// The field sheet: countdown, ticks, the pole star's hand. No network, and no astronomy: all figures come with the page.
(() => {
  "use strict";
  const sheet = JSON.parse(document.getElementById("data").textContent);
  const words = sheet.words;
  const at = (id) => document.getElementById(id);
  const all = (query) => [...document.querySelectorAll(query)];
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, name) => values[name]);

  // What is kept, under this sheet's own name.
  const key = "nightloom-sheet:" + sheet.id;
  let state = { ticks: {}, open: { list: true }, look: "night", sight: "eye", shift_min: 0 };
  let keeps = true;
  const keep = () => {
    try {
      localStorage.setItem(key, JSON.stringify(state));
    } catch {
      keeps = false;
    }
    tellKept();
  };
  const recall = () => {
    try {
      const kept = JSON.parse(localStorage.getItem(key) || "{}");
      if (!kept || typeof kept !== "object") return;
      for (const name of ["ticks", "open"]) if (kept[name] && typeof kept[name] === "object") state[name] = kept[name];
      if (words.sights.some(([sight]) => sight === kept.sight)) state.sight = kept.sight;
      if (Number.isFinite(kept.shift_min)) state.shift_min = kept.shift_min;
      if (typeof kept.look === "string") state.look = kept.look;
    } catch {
      // What cannot be read is as good as nothing kept.
    }
  };
  const tellKept = () => {
    at("kept").textContent = keeps ? words.kept : words.not_kept;
    at("refused").hidden = keeps;
    at("refused").textContent = keeps ? "" : words.not_kept;
  };

  // Look.
  const show = (look) => {
    const known = ["night", "dim", "day"].includes(look) ? look : "night";
    document.documentElement.dataset.look = known;
    document.querySelector("meta[name=color-scheme]").content = known === "day" ? "light" : "dark";
    document.querySelector("meta[name=theme-color]").content = known === "day" ? "#ffffff" : "#000000";
    all("[data-look-of]").forEach((b) => b.setAttribute("aria-pressed", b.dataset.lookOf === known));
  };

  // Panels and ticks.
  const setOpen = (button, open) => {
    button.setAttribute("aria-expanded", open);
    at(button.getAttribute("aria-controls")).hidden = !open;
  };
  const tally = () => {
    all("main > section").forEach((section) => {
      const boxes = [...section.querySelectorAll("[data-tick]")];
      const done = boxes.filter((box) => box.checked).length;
      section.querySelector(".tally").textContent = boxes.length ? fill(words.ticked, { n: done, of: boxes.length }) : "";
    });
  };
  const panels = () => {
    all("[aria-controls]").forEach((button) => {
      const name = button.getAttribute("aria-controls").replace(/-panel$/, "");
      setOpen(button, Boolean(state.open[name]));
      button.addEventListener("click", () => {
        const open = button.getAttribute("aria-expanded") !== "true";
        setOpen(button, open);
        state.open[name] = open;
        keep();
      });
    });
  };
  const boxes = () => {
    all("[data-tick]").forEach((box) => {
      box.checked = Boolean(state.ticks[box.dataset.tick]);
      box.addEventListener("change", () => {
        if (box.checked) state.ticks[box.dataset.tick] = 1;
        else delete state.ticks[box.dataset.tick];
        keep();
        tally();
      });
    });
    all("[data-clear]").forEach((button) => {
      let sure = 0;
      button.addEventListener("click", () => {
        clearTimeout(sure);
        const asked = button.textContent === words.clear_sure;
        button.textContent = asked ? words.cleared : words.clear_sure;
        sure = setTimeout(() => (button.textContent = words.clear), 4000);
        if (!asked) return;
        button.parentElement.querySelectorAll("[data-tick]").forEach((box) => {
          box.checked = false;
          delete state.ticks[box.dataset.tick];
        });
        keep();
        tally();
      });
    });
  };

  // Time: the phone's clock, shown in the site's zone.
  const two = (n) => String(n).padStart(2, "0");
  const offsetAt = (now) => sheet.offsets.filter((o, k) => k === 0 || o[0] <= now).pop();
  const clock = (now, offset, seconds) => {
    const shown = new Date(now + offset * 1000);
    const text = two(shown.getUTCHours()) + ":" + two(shown.getUTCMinutes());
    return seconds ? text + ":" + two(shown.getUTCSeconds()) : text;
  };
  const local = (when) => clock(when + 30000, offsetAt(when + 30000)[1], false);
  const long = (ms) => {
    const s = Math.max(0, Math.ceil(ms / 1000));
    const [h, m] = [Math.floor(s / 3600), Math.floor(s / 60) % 60];
    if (h >= 48) return fill(words.days, { d: Math.floor(h / 24), h: h % 24 });
    return h ? h + ":" + two(m) + ":" + two(s % 60) : m + ":" + two(s % 60);
  };
  const span = (min) => fill(min < 60 ? words.minutes : words.hours, { h: Math.floor(min / 60), m: min < 60 ? min : two(min % 60) });
  const put = (id, text) => {
    const place = at(id);
    if (place.textContent !== text) place.textContent = text;
  };

  // The list as it runs: put off or brought on by whole minutes, but for what waits for the light.
  const shifted = () =>
    sheet.steps.map((s) => {
      const by = s.moves ? state.shift_min * 60000 : 0;
      return { ...s, from: s.from + by, to: s.to + by };
    });
  const tellShift = () => {
    const steps = shifted();
    const min = state.shift_min;
    const last = Math.max(...steps.filter((s) => s.sky).map((s) => s.to));
    const room = Math.round((sheet.window_to - last) / 60000);
    const how = min > 0 ? words.put_off : min < 0 ? words.brought_on : words.as_planned;
    const end = room < 0 ? words.past_window : words.last_sky;
    put("shift-said", fill(how, { t: span(Math.abs(min)) }) + " " + fill(end, { at: local(last), t: span(Math.abs(room)) }));
    all("[data-step]").forEach((row, k) => {
      row.querySelector(".when b").textContent = local(steps[k].from);
      row.querySelector(".when span").textContent = local(steps[k].to);
    });
  };
  const tellSteps = (now) => {
    const steps = shifted();
    const current = steps.findIndex((s) => s.from <= now && now < s.to);
    const next = steps.findIndex((s) => s.from > now);
    const step = steps[current];
    const idle = next === 0 ? words.before : next < 0 ? words.over : words.between;
    put("step-what", step ? [step.words, step.detail.split(" · ")[0]].filter(Boolean).join(" ") : idle);
    put("step-count", step ? fill(words.left, { t: long(step.to - now) }) : "");
    put("step-note", step ? step.note : "");
    const then = steps[next];
    put("next-what", then ? local(then.from) + " " + then.words : step ? words.over + " " + local(step.to) : "");
    put("next-count", then ? long(then.from - now) : step ? long(step.to - now) : "");
    all("[data-step]").forEach((row, k) => {
      if (k === current) row.setAttribute("aria-current", "step");
      else row.removeAttribute("aria-current");
    });
  };
  const tellSky = (now) => {
    const next = sheet.moments.find(([when]) => when > now);
    put("sky-what", next ? local(next[0]) + " " + next[1] : words.sky_over);
    put("sky-count", next ? long(next[0] - now) : "");
  };

  // The pole star's hand, between the rows of its table by straight lines.
  const poleAt = (now) => {
    const { from, every_ms: every, clock_angle_deg: angles, separation_arcmin: offs } = sheet.pole;
    const row = Math.floor((now - from) / every);
    if (row < 0 || row + 1 >= angles.length) return null;
    const part = (now - from) / every - row;
    const turn = ((angles[row + 1] - angles[row] + 540) % 360) - 180;
    return [(angles[row] + part * turn + 360) % 360, offs[row] + part * (offs[row + 1] - offs[row])];
  };
  const tellPole = (now) => {
    const place = poleAt(now);
    at("dial").toggleAttribute("hidden", !place);
    if (!place) {
      const { from, every_ms: every, clock_angle_deg: angles } = sheet.pole;
      const day = (when) => new Date(when).toISOString().slice(0, 16).replace("T", " ") + " UTC";
      put("pole-angle", "");
      put("pole-said", fill(words.outside, { from: day(from), to: day(from + every * (angles.length - 1)) }));
      return;
    }
    const [angle, off] = place;
    const seen = { eye: angle, inverted: angle + 180, mirrored: 360 - angle }[state.sight] % 360;
    const minutes = Math.round(seen * 2) % 720;
    const hand = fill(words.hand, { h: Math.floor(minutes / 60) || 12, m: two(minutes % 60) });
    const way = words.ways[Math.round(seen / 45) % 8];
    const how = words.sights.find(([name]) => name === state.sight)[2];
    at("hand").setAttribute("transform", "rotate(" + seen.toFixed(1) + ")");
    put("pole-angle", fill(words.angle, { deg: Math.round(seen) % 360 }) + " · " + hand);
    put("pole-said", way + ", " + off.toFixed(1) + "′, " + how + ". " + local(now - 30000));
  };

  const tell = () => {
    const now = Date.now();
    const [, offset, letters] = offsetAt(now);
    put("clock", clock(now, offset, true));
    put("letters", letters);
    put("utc", clock(now, 0, true));
    tellSteps(now);
    tellSky(now);
    tellPole(now);
    const other = new Date(now).getTimezoneOffset() * -60 !== offset;
    at("zone").hidden = !other;
    put("zone", other ? words.other_zone : "");
  };
  const beat = () => {
    tell();
    setTimeout(beat, 1000 - (Date.now() % 1000));
  };

  const begin = () => {
    recall();
    show(state.look);
    panels();
    boxes();
    tally();
    all("[data-look-of]").forEach((button) =>
      button.addEventListener("click", () => {
        state.look = button.dataset.lookOf;
        show(state.look);
        keep();
      }),
    );
    const tellSight = () => all("[data-sight]").forEach((b) => b.setAttribute("aria-pressed", b.dataset.sight === state.sight));
    all("[data-sight]").forEach((button) =>
      button.addEventListener("click", () => {
        state.sight = button.dataset.sight;
        tellSight();
        tell();
        keep();
      }),
    );
    all("[data-shift]").forEach((button) =>
      button.addEventListener("click", () => {
        state.shift_min = Math.max(-720, Math.min(720, state.shift_min + Number(button.dataset.shift)));
        tellShift();
        tell();
        keep();
      }),
    );
    tellSight();
    tellShift();
    at("shift").hidden = false;
    at("go").addEventListener("click", () => {
      const button = document.querySelector("#list [aria-controls]");
      setOpen(button, true);
      const row = document.querySelector("[aria-current]") || at("list");
      row.scrollIntoView({ block: "start" });
    });
    at("now").hidden = false;
    at("dial-box").hidden = false;
    keep();
    document.addEventListener("visibilitychange", () => document.hidden || tell());
    beat();
  };
  begin();
})();

// What every page does: saves settings field by field, and hears what changed elsewhere.
import "./aim.js";
import "./build.js";
import "./drop.js";
import "./frames.js";
import "./verdict.js";
import "./viewer.js";
import "./year.js";
import { drafts, forget, typed } from "./drafts.js";
import { send } from "./send.js";

const words = document.documentElement.dataset;
let saved = 0;
const news = document.getElementById("news");

function say(sentence) {
  news.textContent = sentence;
  news.hidden = !sentence;
}

async function save(field) {
  const { section, key } = field.dataset;
  const value = field.value.trim();
  if (field.dataset.wants) return savePlace(field);
  if (value === field.dataset.was) {
    forget(field);
    return mark(field, "", false);
  }
  try {
    const told = await send("/settings", { section, key, was: field.dataset.was, value });
    field.dataset.was = told.value;
    field.value = told.value;
    document.documentElement.dataset.version = told.version;
    saved += 1;
    forget(field);
    mark(field, words.saved, false);
  } catch (error) {
    mark(field, error.message, true);
  }
}

// Latitude and longitude go together: one alone waits for the other, and is no fault.
async function savePlace(field) {
  const [latitude, longitude] = ["latitude_deg", "longitude_deg"].map((key) => document.getElementById(`site.${key}`));
  const both = [latitude, longitude];
  const typed = both.map((f) => f.value.trim());
  if (both.every((f, i) => f.dataset.was === typed[i])) return both.forEach((f) => mark(f, "", false));
  // One that is emptied takes the other with it.
  const emptied = both.find((f, i) => f.dataset.was && !typed[i]);
  if (emptied && emptied === field) both.forEach((f) => { f.value = ""; });
  const alone = both.filter((f) => f.value.trim());
  const inOne = alone[0] === latitude && /[\d°'"NS][\s,;]+[-\d]/i.test(typed[0]);
  if (alone.length === 1 && !inOne) return mark(alone[0], alone[0].dataset.wants, false);
  try {
    const [north, east] = both.map((f) => ({ was: f.dataset.was, value: f.value.trim() }));
    const told = await send("/settings/place", { latitude: north, longitude: east });
    both.forEach((f, i) => {
      f.value = f.dataset.was = [told.latitude, told.longitude][i];
      forget(f);
      mark(f, i ? "" : words.saved, false);
    });
    document.documentElement.dataset.version = told.version;
    saved += 1;
  } catch (error) {
    mark(field, error.message, true);
  }
  return undefined;
}

function mark(field, sentence, wrong) {
  const row = field.closest(".field");
  row.toggleAttribute("data-wrong", wrong);
  row.querySelector(".said").textContent = sentence;
  field.setAttribute("aria-invalid", wrong);
}

for (const field of document.querySelectorAll("[data-key]")) {
  field.addEventListener("change", () => save(field));
  // Typed and left before this script was there: nobody heard of it.
  if (field !== document.activeElement && field.value !== (field.defaultValue ?? field.value)) save(field);
}
for (const field of drafts(document.getElementById("content"))) if (field.dataset.key) mark(field, words.typed, false);

// What could not be saved while the program was away.
function saveAgain() {
  const waits = (field) => field.dataset.key && field !== document.activeElement;
  typed().filter(waits).forEach(save);
}

// Pictures of the present moment are drawn anew, the next one only when it is ready.
for (const chart of document.querySelectorAll("img[data-every]")) {
  const base = chart.src;
  setInterval(async () => {
    const next = new Image();
    next.src = `${base}&now=${Date.now()}`;
    await next.decode().then(() => { chart.src = next.src; }, () => {});
  }, chart.dataset.every * 1000);
}

// Fields nobody is typing into follow the file; one that differs keeps what was typed.
let asked = 0;
async function follow() {
  const fields = document.querySelectorAll("[data-key]");
  if (!fields.length) return;
  const [mine, before] = [++asked, saved];
  const page = await (await fetch("/settings")).text();
  // An answer that a later one overtook is old.
  if (mine !== asked) return;
  // So is one from before an edit of this page.
  if (before !== saved) return follow();
  const fresh = new DOMParser().parseFromString(page, "text/html");
  document.documentElement.dataset.version = fresh.documentElement.dataset.version;
  for (const field of fields) {
    const now = fresh.getElementById(field.id)?.dataset.was ?? "";
    if (now === field.dataset.was) continue;
    if (field.value.trim() === field.dataset.was && field !== document.activeElement) {
      field.value = now;
      field.dataset.was = now;
      mark(field, "", false);
    }
  }
}

// The light is changed where one is, not only at its stage.
const light = document.querySelector("header form");
const stay = () => { light.back.value = location.pathname + location.search; };
stay();
light.addEventListener("submit", stay);

// The other light comes with the page made anew, but not while somebody types.
function turn() {
  const field = document.activeElement?.closest("input, select, textarea");
  if (!field) return location.reload();
  field.addEventListener("blur", () => setTimeout(turn, 500), { once: true });
}

const stream = new EventSource("/events");
stream.addEventListener("message", (event) => {
  const told = JSON.parse(event.data);
  document.dispatchEvent(new CustomEvent("outing", { detail: told }));
  if (told.what === "night" && "follows" in document.documentElement.dataset) turn();
  if (told.what === "settings" && told.version !== document.documentElement.dataset.version) {
    document.documentElement.dataset.version = told.version;
    for (const chart of document.querySelectorAll("img.chart")) chart.src = chart.src;
    follow();
  }
});
const catchUp = () => {
  follow();
  document.dispatchEvent(new CustomEvent("missed"));
};
stream.addEventListener("missed", catchUp);
let away = false;
stream.addEventListener("error", () => {
  away = true;
  say(words.silent);
});
stream.addEventListener("open", () => {
  say("");
  if (away) saveAgain();
  away = false;
  catchUp();
});
// From here on the page hears what is done to it.
words.heard = "";

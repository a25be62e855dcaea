// What is typed and nowhere kept yet, so that no crash of page or program loses it.
const { outing } = document.documentElement.dataset;
const place = `typed ${outing} ${location.pathname}`;
const fields = "input[id]:not([type=range]):not([type=file]):not([type=checkbox]), select[data-key], textarea[id]";

const all = () => JSON.parse(localStorage.getItem(place) ?? "{}");
const stood = (field) => field.dataset.was ?? field.defaultValue;

function put(typed) {
  if (Object.keys(typed).length) localStorage.setItem(place, JSON.stringify(typed));
  else localStorage.removeItem(place);
}

// A field's text is kept elsewhere now.
export function forget(field) {
  const typed = all();
  delete typed[field.id];
  put(typed);
}

// Fields whose text is not kept elsewhere.
export function typed() {
  return Object.keys(all()).map((id) => document.getElementById(id)).filter(Boolean);
}

// Notes what is typed, and brings back what was typed before the page went; gives the fields that have it.
export function drafts(main) {
  const own = [...main.querySelectorAll(fields)].filter((field) => !field.closest("nl-viewer"));
  const before = all();
  const back = own.filter((field) => {
    const told = before[field.id];
    // Written anew meanwhile: what was typed was about something else.
    if (told?.was !== stood(field) || told.value === field.value) return false;
    field.value = told.value;
    return true;
  });
  put(Object.fromEntries(back.map((field) => [field.id, before[field.id]])));
  for (const field of own) {
    field.addEventListener("input", () => {
      if (field.value === stood(field)) forget(field);
      else put({ ...all(), [field.id]: { was: stood(field), value: field.value } });
    });
  }
  // What is asked stands in the address.
  for (const form of main.querySelectorAll("form")) form.addEventListener("submit", () => own.filter((field) => form.contains(field)).forEach(forget));
  return back;
}

// The form's fields as the page has them: their values, and what is wrong beside
// each.

export function fieldID(name) {
  return "f-" + name.replaceAll(".", "-");
}

// entriesOf are the fields that are sent, without files and buttons.
export function entriesOf(form) {
  return [...new FormData(form)].filter(([, v]) => typeof v === "string");
}

// setField puts a value into a field, whatever kind it is; "" takes a tick away.
export function setField(form, name, value) {
  const all = [...form.elements].filter((e) => e.name === name && e.type !== "file");
  if (!all.length) {
    if (!value) return;
    const more = document.createElement("input");
    more.type = "hidden";
    more.name = name;
    more.value = value;
    form.append(more);
    return;
  }
  for (const e of all) {
    if (e.type === "radio") e.checked = e.value === value;
    else if (e.type === "checkbox") e.checked = value !== "";
    else if (e.tagName === "SELECT") pick(e, value);
    else e.value = value;
  }
}

// pick chooses a value of a list, which gets it if it has it not.
export function pick(select, value, word) {
  if (![...select.options].some((o) => o.value === value)) {
    const names = { own: "Written out in the preset" };
    select.add(new Option(word || names[value] || value, value));
  }
  select.value = value;
}

// reveal opens what hides an element and goes there.
export function reveal(id) {
  const to = document.getElementById(id);
  if (!to) return;
  for (let up = to.parentElement; up; up = up.parentElement) if (up.tagName === "DETAILS") up.open = true;
  to.focus();
  to.scrollIntoView({ block: "center" });
}

// showFaults puts faults beside their fields, and away from fields without. only
// names the fields that are to be looked at; null: all.
export function showFaults(form, faults, only) {
  const by = new Map();
  for (const f of faults) {
    const text = [f.text, f.hint].filter(Boolean).join(" ");
    by.set(f.id, by.has(f.id) ? by.get(f.id) + " " + text : text);
  }
  for (const p of form.querySelectorAll("p.fault[id]")) {
    const id = p.id.slice(0, -"-fault".length);
    if (only && !only.has(id)) continue;
    const text = by.get(id) || "";
    if (p.textContent !== text) p.textContent = text;
    p.hidden = text === "";
    const field = document.getElementById(id);
    if (!field || !field.matches("input, select, textarea")) continue;
    if (text) field.setAttribute("aria-invalid", "true");
    else field.removeAttribute("aria-invalid");
  }
}

// showSummary lists all faults with a way to each.
export function showSummary(box, faults) {
  const list = box.querySelector("ul");
  list.replaceChildren(
    ...faults.map((f) => {
      const li = document.createElement("li");
      const text = f.id ? f.label + ": " + f.text : f.text;
      if (f.id) {
        const a = document.createElement("a");
        a.href = "#" + f.id;
        a.textContent = text;
        li.append(a);
      } else {
        li.append(text);
      }
      if (f.hint) li.append(" " + f.hint);
      return li;
    }),
  );
  box.hidden = faults.length === 0;
}

// put replaces what is in an element by a part of a page as the server made it.
export function put(into, html) {
  const page = new DOMParser().parseFromString(html, "text/html");
  into.replaceChildren(...page.body.childNodes);
}

// Store is the form as a browser keeps it, if it may.
export class Store {
  constructor(owner, page) {
    this.key = `discsafe:${page.slice(1)}:${owner}`;
  }
  read() {
    try {
      return localStorage.getItem(this.key);
    } catch {
      return null;
    }
  }
  write(text) {
    try {
      localStorage.setItem(this.key, text);
    } catch {
      // Full or forbidden: then a reload loses what was typed, and nothing else.
    }
  }
  clear() {
    try {
      localStorage.removeItem(this.key);
    } catch {
      // It was never there.
    }
  }
}

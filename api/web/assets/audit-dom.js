// Elements, and what the page remembers of its reader.

// el makes an element: properties by name, data-* and aria-* as attributes.
export function el(tag, props = {}, ...inner) {
  const e = document.createElement(tag);
  for (const [name, v] of Object.entries(props)) {
    if (v === undefined || v === null) continue;
    if (name in e && !name.includes("-")) e[name] = v;
    else e.setAttribute(name, v);
  }
  e.append(...inner.filter((x) => x !== undefined && x !== null));
  return e;
}

// button makes a button that does something.
export function button(text, act, props = {}) {
  const b = el("button", { type: "button", ...props }, text);
  b.addEventListener("click", act);
  return b;
}

const own = "discsafe-audit-";

// recall reads what was remembered; a browser that keeps nothing gives back the
// default.
export function recall(name, otherwise) {
  try {
    const text = localStorage.getItem(own + name);
    return text === null ? otherwise : JSON.parse(text);
  } catch {
    return otherwise;
  }
}

// remember keeps a value for the next visit, where the browser allows it.
export function remember(name, value) {
  try {
    localStorage.setItem(own + name, JSON.stringify(value));
  } catch {
    // private windows keep nothing: the choice then holds for this visit
  }
}

// say sets text only when it changes, so that it is read aloud once.
export function say(e, text) {
  if (e.textContent !== text) e.textContent = text;
}

// typing tells whether keys belong to the element that has the focus.
export function typing(target) {
  return Boolean(target.closest && target.closest("input:not([type=checkbox]):not([type=radio]), select, textarea, [contenteditable]"));
}

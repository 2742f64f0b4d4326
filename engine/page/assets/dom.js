// Making elements and changing them only when something changed. Data only ever enters as text.

export const at = (id) => document.getElementById(id);

/** An element `tag.class.class` with attributes (`on...` are listeners, false or null leaves out) and children. */
export function h(kind, attributes = {}, ...children) {
  const [tag, ...classes] = kind.split(".");
  const element = document.createElement(tag);
  element.classList.add(...classes);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

/** Makes `wanted` the children of `parent`. Those that stay keep their order and are not touched: nor are hand and focus. */
export function arrange(parent, wanted) {
  for (const child of [...parent.children]) if (!wanted.includes(child)) child.remove();
  wanted.forEach((child, index) => parent.children[index] === child || parent.insertBefore(child, parent.children[index] ?? null));
}

export function text(element, words) {
  if (element.textContent !== words) element.textContent = words;
}

/** Sets an attribute where it differs; null removes it. */
export function attribute(element, name, value) {
  if (value === null) element.removeAttribute(name);
  else if (element.getAttribute(name) !== String(value)) element.setAttribute(name, value);
}

export function show(element, yes) {
  if (element.hidden === yes) element.hidden = !yes;
}

export function disable(element, yes) {
  if (element.disabled !== yes) element.disabled = yes;
}

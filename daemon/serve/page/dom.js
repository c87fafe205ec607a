// Creates elements, and replaces others without losing the reader's place.

const drawing = 'http://www.w3.org/2000/svg';

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === 'on') {
      for (const [event, listener] of Object.entries(value)) element.addEventListener(event, listener);
    } else {
      element.setAttribute(name, value === true ? '' : value);
    }
  }
  element.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false && child !== ''));
  return element;
}

/** h('td', {class: 'number'}, '12'): text is always text, never markup. */
export const h = (name, attributes = {}, ...children) =>
  fill(document.createElement(name), attributes, children);

export const svg = (name, attributes = {}, ...children) =>
  fill(document.createElementNS(drawing, name), attributes, children);

export const find = (selector) => document.querySelector(selector);

/** A position on an axis. SVG takes percents, so a drawing is as wide as its container. */
export const percent = (part) => `${(Math.min(1, Math.max(0, part)) * 100).toFixed(3)}%`;

/**
 * Puts new content into an element. Elements with the same data-key stay focused, open or filled in: the page
 * changes by itself, and must not interrupt a person who is using it.
 */
export function replace(place, ...content) {
  const focused = place.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  const open = new Set([...place.querySelectorAll('details[open]')].map((one) => one.dataset.key));
  const chosen = new Map([...place.querySelectorAll('select[data-key]')].map((one) => [one.dataset.key, one.value]));
  place.replaceChildren(...content.flat(Infinity).filter(Boolean));
  for (const one of place.querySelectorAll('details')) one.open = open.has(one.dataset.key);
  for (const one of place.querySelectorAll('select[data-key]')) {
    if (chosen.has(one.dataset.key)) one.value = chosen.get(one.dataset.key);
  }
  if (focused) [...place.querySelectorAll('[data-key]')].find((one) => one.dataset.key === focused)?.focus();
}

/** A table with a caption for screen readers. `rows` are arrays of cells; the first cell of each is its header. */
export function table(caption, heads, rows, attributes = {}) {
  const cell = (content, i) => {
    const number = heads[i].number ? 'number' : null;
    return i === 0 ? h('th', { scope: 'row' }, content) : h('td', { class: number }, content);
  };
  return h('table', attributes,
    h('caption', { class: 'heard' }, caption),
    h('thead', {}, h('tr', {}, heads.map((head) =>
      h('th', { scope: 'col', class: head.number ? 'number' : null }, head.text ?? head)))),
    h('tbody', {}, rows.map((row) => h('tr', {}, row.map(cell)))));
}

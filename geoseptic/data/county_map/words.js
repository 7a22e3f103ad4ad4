// Small pieces of the page. Whatever comes from the data goes in as text, never as markup.

function element(name, { text, className, children, ...attributes } = {}) {
  const made = document.createElement(name);
  if (text !== undefined) made.textContent = text;
  if (className) made.className = className;
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (children) made.append(...children);
  return made;
}

const byId = (id) => document.getElementById(id);

// A parcel's number, kept apart from the direction of the text round it.
const named = (text) => element("bdi", { text });

function number(value) {
  return value.toLocaleString("en-US", { maximumFractionDigits: 1 });
}

function quantity(value, unit) {
  if (Number.isNaN(value)) return "not known";
  return unit ? `${number(value)} ${unit}` : number(value);
}

function list(parts) {
  return element("ul", { children: parts.map((text) => element("li", { text })) });
}

// Terms beside their texts; a long text goes below its term.
const LONG_TEXT = 44;

function describe(pairs) {
  const children = [];
  for (const [term, text] of pairs) {
    const className = text.length > LONG_TEXT ? "long" : text === "not known" ? "unknown" : "";
    children.push(element("dt", { text: term, className }), element("dd", { text, className }));
  }
  return element("dl", { children });
}

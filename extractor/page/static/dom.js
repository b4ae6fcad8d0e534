// Building the page: every text goes in as text, so a name is never markup.

const SVG = "http://www.w3.org/2000/svg";

function fill(element, properties, children) {
  for (const [name, value] of Object.entries(properties ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "value" || name === "checked" || name === "disabled") element[name] = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.flat(9).filter((c) => c !== null && c !== undefined && c !== false));
  return element;
}

export function h(tag, properties, ...children) {
  return fill(document.createElement(tag), properties, children);
}

export function s(tag, properties, ...children) {
  return fill(document.createElementNS(SVG, tag), properties, children);
}

export function clear(element, ...children) {
  element.replaceChildren(...children.flat(9).filter(Boolean));
  return element;
}

export function seconds(value) {
  if (value === null || value === undefined) return "";
  const whole = Math.round(value);
  if (whole < 60) return `${whole} s`;
  const minutes = Math.floor(whole / 60);
  if (minutes < 60) return `${minutes}:${String(whole % 60).padStart(2, "0")} min`;
  return `${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, "0")} h`;
}

export function bytes(value) {
  if (value < 1e6) return `${Math.max(1, Math.round(value / 1e3))} kB`;
  return value < 1e9 ? `${(value / 1e6).toFixed(value < 1e7 ? 1 : 0)} MB` : `${(value / 1e9).toFixed(1)} GB`;
}

export function clock(value) {
  const minutes = Math.floor(value / 60);
  const rest = (value - 60 * minutes).toFixed(1).padStart(4, "0");
  return `${minutes}:${rest}`;
}

export function percent(share, digits = 0) {
  return `${(100 * share).toFixed(digits)} %`;
}

export function query(values) {
  const given = Object.entries(values).filter(([, v]) => v !== null && v !== undefined && v !== "");
  return new URLSearchParams(given).toString();
}

export function later(wait_ms, work) {
  let timer = null;
  return (...values) => {
    clearTimeout(timer);
    timer = setTimeout(() => work(...values), wait_ms);
  };
}

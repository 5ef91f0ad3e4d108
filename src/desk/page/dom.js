// Elements made in one line, for the page's modules.
import { element } from "/page/viewer.js";

export { element };

/**
 * A button.
 * @param {string} text
 * @param {() => unknown} act
 * @param {Record<string, string>} [attributes]
 * @returns {HTMLButtonElement}
 */
export function button(text, act, attributes = {}) {
  const made = element("button", { type: "button", ...attributes }, text);
  made.addEventListener("click", act);
  return /** @type {HTMLButtonElement} */ (made);
}

/**
 * An input under its label.
 * @param {string} text
 * @param {Record<string, string>} attributes Of the input.
 * @param {(input: HTMLInputElement) => unknown} changed
 * @param {string} [event]
 * @returns {HTMLLabelElement & {input: HTMLInputElement}}
 */
export function field(text, attributes, changed, event = "change") {
  const input = /** @type {HTMLInputElement} */ (element("input", attributes));
  input.addEventListener(event, () => changed(input));
  const side = ["checkbox", "radio"].includes(attributes.type);
  const words = side ? text : element("span", {}, text);
  const label = element("label", { class: side ? "tick" : "field" }, ...(side ? [input, words] : [words, input]));
  return Object.assign(/** @type {HTMLLabelElement} */ (label), { input });
}

/**
 * A choice under its label.
 * @param {string} text
 * @param {[string, string][]} options Value and words.
 * @param {string} value
 * @param {(value: string) => unknown} changed
 */
export function choice(text, options, value, changed) {
  const select = /** @type {HTMLSelectElement} */ (element("select"));
  for (const [key, words] of options) select.append(element("option", { value: key }, words));
  select.value = value;
  select.addEventListener("change", () => changed(select.value));
  return Object.assign(element("label", { class: "field" }, text, select), { select });
}

/** Names of settings on the command line, and what the page calls them. */
const CALLED = /** @type {Record<string, string>} */ ({
  "wedge-corners": "the corners",
  "wedge-grid": "rows and columns",
  "wedge-densities": "the densities",
  "wedge-file": "a wedge of an earlier run",
  "flat-field": "a flat field",
  exposure: "the exposure",
  reference: "the reference",
  "camera-hdr": "the camera\u2019s HDR picture",
  edge: "an edge",
});

/** A sentence of the program with the page's names of settings; an option in brackets after its name in words goes. @param {string} words */
export const plain = (words) => words.replace(/ \(--[a-z-]+\)/g, "").replace(/--([a-z]+(?:-[a-z]+)*)/g, (whole, name) => CALLED[name] ?? whole);

/** A list of sentences, of which the first few are shown at once; nothing for none. @param {string[] | undefined} words @param {number} [most] */
export function sentences(words, most = 3) {
  const items = (words ?? []).map((w) => element("li", {}, plain(w)));
  const list = (/** @type {Node[]} */ some) => element("ul", { class: "words" }, ...some);
  if (items.length <= most) return items.length ? list(items) : "";
  const more = element("summary", {}, `${items.length - most} more`);
  return element("div", {}, list(items.slice(0, most)), element("details", {}, more, list(items.slice(most))));
}

/** A number with its sign. @param {number} v @param {number} digits */
export const signed = (v, digits) => `${v > 0 ? "+" : v < 0 ? "\u2212" : ""}${Math.abs(v).toFixed(digits)}`;

/** Lets only the last of quick calls through, and that not before the one before it is done.
 * @param {() => Promise<unknown>} act @param {(error: unknown) => void} failed */
export function oneAtATime(act, failed) {
  let busy = false;
  let again = false;
  return async function next() {
    if (busy) {
      again = true;
      return;
    }
    busy = true;
    try {
      await act();
    } catch (error) {
      failed(error);
    }
    busy = false;
    if (again) {
      again = false;
      next();
    }
  };
}

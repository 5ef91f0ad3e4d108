// The same place in up to four pictures, side by side or in turn, in step, from the whole down to single pixels.
// One source for the report page, which has it inline, and for the desk's page. Canvas 2D alone: pictures opened from a folder
// may be drawn but not read.

/**
 * A picture to compare.
 * @typedef {object} Shown
 * @property {string} name Name of the file.
 * @property {string} kind What it is, in words.
 * @property {string} [address] Address of the file, for the link above the picture.
 * @property {HTMLImageElement} [image] Its pixels, loaded when the viewer comes into view.
 * @property {number[]} [place] 3 x 3 by rows: takes a point of the reference frame to this picture, both in pixels; (0.5, 0.5) is the
 *   centre of the top-left pixel. The identity if there is none.
 * @property {(pen: CanvasRenderingContext2D, view: View) => void} [draw] Draws it instead of `image`, in pixels of the picture.
 */

/**
 * What a pane shows.
 * @typedef {object} View
 * @property {number} x Column at the centre of the pane, pixels of the reference frame.
 * @property {number} y Row at the centre of the pane.
 * @property {number} scale CSS pixels per pixel of the reference frame.
 * @property {number} width Width of the pane, CSS pixels.
 * @property {number} height Height of the pane, CSS pixels.
 */

/**
 * A point of the reference frame, in pixels.
 * @typedef {{x: number, y: number}} Place
 */

/**
 * What a page can add; the report page adds nothing.
 * @typedef {object} Additions
 * @property {(pen: CanvasRenderingContext2D, view: View, shown: Shown) => void} [overlay] Draws over a pane, in CSS pixels.
 * @property {(at: Place, view: View) => ((to: Place, end: boolean) => void) | undefined} [grab] Asked when a pointer goes down; what it
 *   returns follows that pointer instead of moving the view.
 * @property {(at: Place | undefined) => void} [point] Told the place under the cursor.
 * @property {(marks: Place[]) => void} [marked] Told the marks; a single click makes one then.
 * @property {(event: KeyboardEvent, at: Place) => boolean} [key] Asked before the viewer's own keys; true if it took the key.
 */

const MOST = 4;
/** Largest zoom, CSS pixels per pixel. */
const CLOSEST = 48;
/** Time a picture stands when they blink, milliseconds: below the three flashes a second of WCAG 2.2, 2.3.1. */
const TURN = 800;

/**
 * @param {string} name
 * @param {Record<string, string>} [attributes]
 * @param {(Node | string)[]} children
 * @returns {HTMLElement}
 */
export function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
}

/**
 * Where a transform takes a point, and its derivative there: [x, y, dx/dX, dx/dY, dy/dX, dy/dY].
 * @param {number[]} h 3 x 3 by rows.
 * @param {number} x
 * @param {number} y
 */
export function mapped(h, x, y) {
  const w = h[6] * x + h[7] * y + h[8];
  const [X, Y] = [(h[0] * x + h[1] * y + h[2]) / w, (h[3] * x + h[4] * y + h[5]) / w];
  return [X, Y, (h[0] - X * h[6]) / w, (h[1] - X * h[7]) / w, (h[3] - Y * h[6]) / w, (h[4] - Y * h[7]) / w];
}

const SAME = [1, 0, 0, 0, 1, 0, 0, 0, 1];

export class Viewer {
  /**
   * @param {HTMLElement} root Emptied and filled.
   * @param {Shown[]} pictures The first is the reference's own geometry.
   * @param {{width: number, height: number}} size Of the reference frame, pixels.
   * @param {Additions} [more]
   */
  constructor(root, pictures, size, more = {}) {
    this.pictures = pictures;
    this.size = size;
    this.more = more;
    this.chosen = pictures.slice(0, 2);
    this.inTurn = false;
    this.turn = 0;
    /** Zoom, CSS pixels per pixel; 0 fits the whole picture. */
    this.zoom = 0;
    this.x = size.width / 2;
    this.y = size.height / 2;
    /** @type {Place | undefined} */
    this.cursor = undefined;
    /** @type {Place[]} */
    this.marks = [];
    /** @type {Map<number, {x: number, y: number}>} */
    this.fingers = new Map();
    this.asked = false;
    this.choice = element("div", { class: "viewer-choice", role: "group", "aria-label": "Pictures" });
    this.stage = element("div", { class: "viewer-stage", tabindex: "0", role: "group", "aria-label": "Pictures in step" });
    this.place = element("span", { class: "viewer-place" });
    this.marked = element("output", { class: "viewer-marks" });
    this.buttons = this.bar();
    root.replaceChildren(this.choice, this.buttons, this.stage, element("p", { class: "viewer-line" }, this.place, " ", this.marked));
    this.listen();
    this.list();
    new ResizeObserver(() => this.redraw()).observe(this.stage);
    new IntersectionObserver((seen) => seen.some((s) => s.isIntersecting) && this.load()).observe(this.stage);
    this.whole();
    this.blink(false);
  }

  bar() {
    /** @type {(text: string, name: string, act: () => void) => HTMLElement} */
    const button = (text, name, act) => {
      const made = element("button", { type: "button", ...(name && { "aria-label": name }) }, text);
      made.addEventListener("click", act);
      return made;
    };
    this.turns = button("In turn", "", () => this.takeTurns(!this.inTurn));
    this.blinks = button("Blink", "", () => this.blink(this.clock === undefined));
    this.next = button("Next", "Next picture", () => this.advance());
    return element(
      "div",
      { class: "viewer-bar" },
      button("Whole", "Whole picture", () => this.whole()),
      button("100\u00a0%", "100 %, one pixel per pixel", () => this.zoomTo(1 / devicePixelRatio)),
      button("\u2212", "Zoom out", () => this.zoomBy(0.5)),
      button("+", "Zoom in", () => this.zoomBy(2)),
      this.turns,
      this.blinks,
      this.next,
    );
  }

  /** Offers the pictures and makes a pane for each that is chosen. */
  list() {
    const boxes = this.pictures.map((shown) => {
      const box = /** @type {HTMLInputElement} */ (element("input", { type: "checkbox" }));
      box.checked = this.chosen.includes(shown);
      box.disabled = box.checked ? this.chosen.length === 1 : this.chosen.length === MOST;
      box.addEventListener("change", () => {
        this.chosen = this.pictures.filter((p) => (p === shown ? box.checked : this.chosen.includes(p)));
        const index = this.pictures.indexOf(shown);
        this.list();
        this.choice.querySelectorAll("input")[index].focus();
      });
      return element("label", {}, box, ` ${shown.name} `, element("small", {}, shown.kind));
    });
    this.choice.replaceChildren(...boxes);
    this.choice.hidden = boxes.length === 1;
    if (this.turns) this.turns.hidden = boxes.length === 1;
    this.panes();
  }

  panes() {
    const several = this.chosen.length > 1;
    if (!several && this.inTurn) this.takeTurns(false);
    /** @type {HTMLButtonElement} */ (this.turns).disabled = !several;
    const count = this.inTurn ? 1 : this.chosen.length;
    this.stage.dataset.panes = String(count);
    this.canvases = Array.from({ length: count }, () => {
      const canvas = /** @type {HTMLCanvasElement} */ (element("canvas", { role: "img" }));
      canvas.style.aspectRatio = `${this.size.width} / ${this.size.height}`;
      return canvas;
    });
    this.stage.replaceChildren(...this.canvases.map((c) => element("div", { class: "viewer-pane" }, element("p"), c)));
    if (this.loaded) this.load();
    this.name();
    this.redraw();
  }

  /** Writes the pictures' names over the panes. */
  name() {
    this.canvases?.forEach((canvas, index) => {
      const shown = this.inPane(index);
      const text = element("b", {}, shown.name);
      const link = shown.address ? element("a", { href: shown.address }, text) : text;
      canvas.previousElementSibling?.replaceChildren(link, ` ${shown.kind}`);
      canvas.setAttribute("aria-label", `${shown.name}, ${shown.kind}`);
    });
  }

  /** @param {number} index */
  inPane(index) {
    return this.inTurn ? this.chosen[this.turn % this.chosen.length] : this.chosen[index];
  }

  load() {
    this.loaded = true;
    for (const { image } of this.chosen) {
      if (!image || image.dataset.asked) continue;
      image.dataset.asked = "yes";
      image.loading = "eager";
      image.decoding = "async";
      image.addEventListener("load", () => this.redraw());
      image.addEventListener("error", () => this.redraw());
    }
    this.redraw();
  }

  /** @param {boolean} on */
  takeTurns(on) {
    this.inTurn = on;
    this.panes();
    this.blink(on && !matchMedia("(prefers-reduced-motion: reduce)").matches);
  }

  /** @param {boolean} on */
  blink(on) {
    clearInterval(this.clock);
    this.clock = on ? setInterval(() => this.advance(true), TURN) : undefined;
    this.turns?.setAttribute("aria-pressed", String(this.inTurn));
    this.blinks?.setAttribute("aria-pressed", String(on));
    for (const button of [this.blinks, this.next]) if (button) button.hidden = !this.inTurn;
  }

  /** @param {boolean} [by] True if the clock did it. */
  advance(by) {
    if (!by) this.blink(false);
    this.turn = (this.turn + 1) % this.chosen.length;
    this.name();
    this.redraw();
  }

  /** @returns {View} */
  view() {
    const canvas = this.canvases?.[0];
    const [width, height] = [canvas?.clientWidth || 1, canvas?.clientHeight || 1];
    return { x: this.x, y: this.y, scale: Math.max(this.zoom, this.fit()), width, height };
  }

  fit() {
    const canvas = this.canvases?.[0];
    return Math.min((canvas?.clientWidth || 1) / this.size.width, (canvas?.clientHeight || 1) / this.size.height);
  }

  whole() {
    this.zoom = 0;
    this.moveTo(this.size.width / 2, this.size.height / 2);
  }

  /** @param {number} factor @param {Place} [about] The place that stays where it is. */
  zoomBy(factor, about) {
    this.zoomTo(this.view().scale * factor, about);
  }

  /** @param {number} scale CSS pixels per pixel. @param {Place} [about] */
  zoomTo(scale, about = { x: this.x, y: this.y }) {
    const before = this.view().scale;
    const fit = this.fit();
    this.zoom = scale <= fit ? 0 : Math.min(scale, CLOSEST);
    const ratio = before / Math.max(this.zoom, fit);
    this.moveTo(about.x + (this.x - about.x) * ratio, about.y + (this.y - about.y) * ratio);
  }

  /** @param {number} x @param {number} y Column and row at the centre, kept so that no more than half a pane is empty. */
  moveTo(x, y) {
    const { width, height } = this.size;
    const whole = this.zoom === 0;
    this.x = whole ? width / 2 : Math.min(Math.max(x, 0), width);
    this.y = whole ? height / 2 : Math.min(Math.max(y, 0), height);
    // On a whole picture one finger scrolls the page; on a zoomed one it moves the picture.
    this.stage.style.touchAction = whole && !this.more.grab ? "pan-y" : "none";
    this.redraw();
  }

  /** The place under a pointer. @param {{clientX: number, clientY: number, target: EventTarget | null}} event @returns {Place | undefined} */
  at(event) {
    const canvas = this.canvases?.find((c) => c === event.target);
    if (!canvas) return undefined;
    const box = canvas.getBoundingClientRect();
    const view = this.view();
    return {
      x: view.x + (event.clientX - box.left - view.width / 2) / view.scale,
      y: view.y + (event.clientY - box.top - view.height / 2) / view.scale,
    };
  }

  listen() {
    const { stage } = this;
    stage.addEventListener("pointerdown", (event) => this.down(event));
    stage.addEventListener("pointermove", (event) => this.moved(event));
    for (const kind of ["pointerup", "pointercancel"]) {
      stage.addEventListener(kind, (event) => this.up(/** @type {PointerEvent} */ (event)));
    }
    stage.addEventListener("pointerleave", () => this.setCursor(undefined));
    stage.addEventListener("dblclick", (event) => this.more.marked || this.mark(this.at(event)));
    stage.addEventListener(
      "wheel",
      (event) => {
        // The page scrolls until the pictures were clicked.
        if (document.activeElement !== stage && !event.ctrlKey) return;
        event.preventDefault();
        this.zoomBy(2 ** (-event.deltaY / (event.deltaMode ? 6 : 240)), this.at(event));
      },
      { passive: false },
    );
    stage.addEventListener("keydown", (event) => this.key(event));
  }

  /** @param {PointerEvent} event */
  down(event) {
    const at = this.at(event);
    if (!at || event.button) return;
    /** @type {HTMLElement} */ (event.target).setPointerCapture(event.pointerId);
    this.fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    this.still = this.fingers.size === 1;
    this.held = this.still ? this.more.grab?.(at, this.view()) : undefined;
  }

  /** @param {PointerEvent} event */
  moved(event) {
    const at = this.at(event);
    this.setCursor(at);
    const before = this.fingers.get(event.pointerId);
    if (!before) return;
    const now = { x: event.clientX, y: event.clientY };
    if (Math.hypot(event.movementX, event.movementY) > 2) this.still = false;
    this.fingers.set(event.pointerId, now);
    if (this.held) {
      if (at) this.held(at, false);
      return;
    }
    const { scale } = this.view();
    const share = this.fingers.size;
    if (share === 2) {
      const other = [...this.fingers].find(([id]) => id !== event.pointerId)?.[1] ?? now;
      const apart = (/** @type {{x: number, y: number}} */ p) => Math.max(Math.hypot(p.x - other.x, p.y - other.y), 1);
      this.zoomBy(apart(now) / apart(before), this.at({ clientX: (now.x + other.x) / 2, clientY: (now.y + other.y) / 2, target: event.target }));
    }
    this.moveTo(this.x - (now.x - before.x) / scale / share, this.y - (now.y - before.y) / scale / share);
  }

  /** @param {PointerEvent} event */
  up(event) {
    this.fingers.delete(event.pointerId);
    const at = this.at(event);
    if (this.held && at) this.held(at, true);
    else if (this.still && this.more.marked && event.type === "pointerup") this.mark(at);
    this.held = undefined;
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    if (event.target !== this.stage || event.altKey || event.ctrlKey || event.metaKey) return;
    const centre = { x: this.x, y: this.y };
    const { width, height, scale } = this.view();
    const far = event.shiftKey ? 1 : Math.min(width, height) / scale / 8;
    /** @type {Record<string, () => void>} */
    const keys = {
      ArrowLeft: () => this.moveTo(this.x - far, this.y),
      ArrowRight: () => this.moveTo(this.x + far, this.y),
      ArrowUp: () => this.moveTo(this.x, this.y - far),
      ArrowDown: () => this.moveTo(this.x, this.y + far),
      "+": () => this.zoomBy(2),
      "=": () => this.zoomBy(2),
      "-": () => this.zoomBy(0.5),
      0: () => this.whole(),
      1: () => this.zoomTo(1 / devicePixelRatio),
      b: () => this.takeTurns(!this.inTurn),
      " ": () => this.inTurn && this.advance(),
      m: () => this.mark(centre),
      Backspace: () => this.setMarks(this.marks.slice(0, -1)),
    };
    if (this.more.key?.(event, this.cursor ?? centre)) return event.preventDefault();
    const act = keys[event.key];
    if (!act) return;
    event.preventDefault();
    act();
    if (event.key.startsWith("Arrow") || event.key === "m") this.setCursor({ x: this.x, y: this.y });
  }

  /** @param {Place | undefined} at */
  mark(at) {
    if (!at || this.more.grab) return;
    this.setMarks([...(this.marks.length === MOST ? [] : this.marks), at]);
  }

  /** @param {Place[]} marks */
  setMarks(marks) {
    this.marks = marks;
    this.more.marked?.(marks);
    this.marked.textContent = this.more.marked ? "" : this.marks.map((m) => `${m.x.toFixed(1)},${m.y.toFixed(1)}`).join(",");
    this.redraw();
  }

  /** @param {Place | undefined} at */
  setCursor(at) {
    this.cursor = at;
    this.more.point?.(at);
    this.redraw();
  }

  redraw() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      const view = this.view();
      const at = this.cursor;
      const percent = (100 * view.scale * devicePixelRatio).toFixed(0);
      this.place.textContent = at ? `column ${at.x.toFixed(1)}, row ${at.y.toFixed(1)}, at ${percent}\u00a0%` : `at ${percent}\u00a0%`;
      this.canvases?.forEach((canvas, index) => this.paint(canvas, view, this.inPane(index)));
    });
  }

  /** @param {HTMLCanvasElement} canvas @param {View} view @param {Shown} shown */
  paint(canvas, view, shown) {
    const dense = devicePixelRatio;
    const [width, height] = [Math.round(view.width * dense), Math.round(view.height * dense)];
    if (canvas.width !== width || canvas.height !== height) [canvas.width, canvas.height] = [width, height];
    const pen = canvas.getContext("2d");
    if (!pen) return;
    pen.setTransform(dense, 0, 0, dense, 0, 0);
    pen.clearRect(0, 0, view.width, view.height);
    // Near the centre a projective transform is an affine one; its inverse takes pixels of the picture to the pane.
    const [X, Y, a, b, c, d] = mapped(shown.place ?? SAME, view.x, view.y);
    const size = (view.scale * dense) / (a * d - b * c);
    pen.imageSmoothingEnabled = view.scale * dense < 1;
    // Enlarged pixels begin where the screen's do.
    const whole = pen.imageSmoothingEnabled ? (/** @type {number} */ v) => v : Math.round;
    const [left, top] = [width / 2 - (d * X - b * Y) * size, height / 2 - (a * Y - c * X) * size];
    pen.setTransform(d * size, -c * size, -b * size, a * size, whole(left), whole(top));
    pen.imageSmoothingQuality = "high";
    const { image } = shown;
    if (shown.draw) shown.draw(pen, view);
    else if (image?.complete && image.naturalWidth) pen.drawImage(image, 0, 0);
    pen.setTransform(dense, 0, 0, dense, 0, 0);
    this.lines(pen, view);
    this.more.overlay?.(pen, view, shown);
    if (image?.complete && !image.naturalWidth) {
      pen.font = "14px sans-serif";
      pen.fillStyle = getComputedStyle(canvas).color;
      pen.fillText(`${shown.name} is not beside this page`, 12, 24);
    }
  }

  /** Crosshair at the cursor and marks. @param {CanvasRenderingContext2D} pen @param {View} view */
  lines(pen, view) {
    /** @type {(p: Place, arm: number, gap: number) => void} */
    const cross = (p, arm, gap) => {
      const [x, y] = [(p.x - view.x) * view.scale + view.width / 2, (p.y - view.y) * view.scale + view.height / 2];
      for (const [colour, wide] of [["#000", 3], ["#fff", 1]]) {
        pen.strokeStyle = /** @type {string} */ (colour);
        pen.lineWidth = /** @type {number} */ (wide);
        pen.beginPath();
        for (const [u, v] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
          pen.moveTo(x + u * gap, y + v * gap);
          pen.lineTo(x + u * arm, y + v * arm);
        }
        pen.stroke();
      }
    };
    if (this.cursor) cross(this.cursor, 12, 4);
    for (const mark of this.marks) cross(mark, 8, 0);
  }
}

/** Turns the lists of pictures that a page has into viewers. Without this script they stay what they are. */
for (const root of document.querySelectorAll("[data-viewer]")) {
  const holder = /** @type {HTMLElement} */ (root);
  const pictures = [...holder.querySelectorAll("figure")].map((figure) => ({
    name: figure.dataset.name ?? "",
    kind: figure.dataset.kind ?? "",
    place: figure.dataset.place?.split(" ").map(Number),
    address: figure.querySelector("a")?.getAttribute("href") ?? undefined,
    image: figure.querySelector("img") ?? undefined,
  }));
  const size = { width: Number(holder.dataset.width), height: Number(holder.dataset.height) };
  if (pictures.length) new Viewer(holder, pictures, size);
}

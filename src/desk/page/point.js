// Task 2, Point: where the wedge lies, with a count of what is resolved while its corners are moved; other places of the picture.
import { Problem, get, post, put } from "/page/api.js";
import { button, choice, element, field, oneAtATime, sentences } from "/page/dom.js";
import { Drawing } from "/page/drawing.js";
import { PictureTiles } from "/page/tiles.js";
import { Viewer } from "/page/viewer.js";

const NAMES = ["top left", "top right", "bottom right", "bottom left"];
/** How near to a corner a pointer takes it, CSS pixels. */
const REACH = 24;

export class Point {
  /** @param {HTMLElement} root @param {import("./desk.js").Desk} desk */
  constructor(root, desk) {
    this.desk = desk;
    /** @type {number[][] | undefined} Corners as they are being set. */
    this.corners = undefined;
    /** @type {number[][] | undefined} Corners as they were found. */
    this.found = undefined;
    this.counted = /** @type {any} */ (undefined);
    /** What the page shows, so that it is not built again. */
    this.key = "";
    this.placesKey = "";
    /** @type {((at: {x: number, y: number}) => (to: {x: number, y: number}, end: boolean) => void) | undefined} A place being picked. */
    this.picking = undefined;
    /** @type {number | undefined} The corner being moved. */
    this.moving = undefined;
    /** @type {number[] | undefined} The box being drawn. */
    this.box = undefined;
    this.empty = element("p", { class: "soft" }, "Nothing is opened: choose a folder first.");
    this.body = element("div", { class: "two" });
    this.stage = element("div");
    this.side = element("div", { class: "side" });
    const hint = "Drag a corner, or bring its place to the middle with the arrow keys, + and \u2212, and press 5 (top left), 6 (top right), 7 (bottom right) or 8 (bottom left).";
    this.body.append(element("div", {}, this.stage, element("p", { class: "soft" }, hint)), this.side);
    root.append(this.empty, this.body);
    const number = (/** @type {string} */ text, /** @type {Record<string, string>} */ more) => field(text, { type: "number", min: "1", max: "200", ...more }, () => this.changed());
    this.rows = number("Rows", {});
    this.columns = number("Columns", {});
    this.darkFirst = field("Darkest step first", { type: "checkbox" }, () => this.changed());
    this.turning = field("Every other row runs back", { type: "checkbox" }, () => this.changed());
    this.densities = field("Densities, if known", { type: "text", placeholder: "0.05,0.20,\u2026 or 0.05:0.15" }, () => this.changed());
    this.densityFile = field("or a file with the columns step,density", { type: "file", accept: ".csv" }, (input) => desk.try(this.takeDensities(input)));
    /** @type {(HTMLLabelElement & {input: HTMLInputElement})[][]} */
    this.inputs = NAMES.map((name, index) =>
      ["x", "y"].map((axis, k) => field(`${name} ${axis}`, { type: "number", step: "0.5" }, (input) => this.typed(index, k, Number(input.value)))),
    );
    this.answer = element("div", { role: "status", class: "count" });
    this.strip = element("ol", { class: "steps", "aria-label": "Steps resolved" });
    this.onPicture = element("div");
    this.keptOnes = element("div");
    this.places = element("div");
    this.count = oneAtATime(
      () => this.ask(),
      (error) => desk.say(error),
    );
    this.build();
  }

  build() {
    const { desk } = this;
    this.side.append(
      this.onPicture,
      this.answer,
      this.strip,
      element("div", { class: "row" }, button("Find the wedge", () => this.find()), button("Set corners by hand", () => this.place()), button("No wedge here", () => this.none()), button("Keep for other runs", () => desk.try(this.keep()))),
      element("h3", {}, "Patches"),
      element("div", { class: "row" }, this.rows, this.columns, this.darkFirst, this.turning),
      element("div", { class: "row" }, this.densities, this.densityFile),
      element("details", { class: "corners" }, element("summary", {}, "Corners as numbers"), element("div", { class: "grid" }, ...this.inputs.flat())),
      this.keptOnes,
      element("h3", {}, "Other places"),
      this.places,
    );
  }

  shown() {
    this.desk.try(this.listKept());
  }

  update() {
    const { survey, settings } = this.desk.state;
    const pictures = this.pictures(survey);
    this.empty.hidden = pictures.length > 0;
    this.body.hidden = !pictures.length;
    if (!pictures.length) return;
    const key = pictures.map(([id]) => id).join();
    if (key !== this.key) {
      this.key = key;
      const first = survey.brackets[0];
      const id = first ? first.frames[first.reference].picture : pictures[0][0];
      this.onPicture.replaceChildren(choice("On the picture", pictures, id, (value) => this.desk.try(this.openOn(value))));
      this.desk.try(this.openOn(id));
    }
    this.showPlaces(settings);
  }

  /** @param {any} survey @returns {[string, string][]} */
  pictures(survey) {
    if (!survey) return [];
    const frames = survey.brackets.flatMap((/** @type {any} */ b) => b.frames);
    return [...frames, ...survey.singles].map((p) => [p.picture, p.file]);
  }

  /** @param {string} picture */
  async openOn(picture) {
    this.on = picture;
    const layer = await PictureTiles.open(picture, () => this.viewer?.redraw());
    const { columns, rows } = layer.shape;
    const file = this.pictures(this.desk.state.survey).find(([id]) => id === picture)?.[1] ?? picture;
    this.layer = layer;
    const shown = [{ name: file, kind: "", draw: (/** @type {CanvasRenderingContext2D} */ pen) => layer.draw(pen) }];
    this.viewer = new Viewer(this.stage, shown, { width: columns, height: rows }, {
      overlay: (pen, view) => this.overlay(pen, view),
      grab: (at, view) => this.grab(at, view),
      key: (event, at) => this.key_(event, at),
    });
    this.corners = undefined;
    const { wedge } = this.desk.state.settings;
    this.fill(wedge);
    this.count();
  }

  /** Puts a wedge of the settings into the fields. @param {any} wedge */
  fill(wedge) {
    this.how = wedge.how;
    this.corners = wedge.how === "corners" ? wedge.corners.map((/** @type {number[]} */ c) => [...c]) : undefined;
    if (wedge.rows) this.rows.input.value = wedge.rows;
    if (wedge.columns) this.columns.input.value = wedge.columns;
    this.darkFirst.input.checked = Boolean(wedge.dark_first);
    this.turning.input.checked = Boolean(wedge.boustrophedon);
    this.densities.input.value = wedge.densities ?? "";
    this.fileOfDensities = wedge.densities_file ?? undefined;
    this.kept = wedge.how === "kept" ? wedge.wedge : undefined;
    this.writeCorners();
  }

  /** The wedge as the settings take it. */
  wedge() {
    const known = { densities: this.densities.input.value.trim() || null, densities_file: this.fileOfDensities ?? null };
    if (this.how === "none") return { how: "none" };
    if (this.how === "kept") return { how: "kept", wedge: this.kept, ...known };
    if (!this.corners) return { how: "find", ...known };
    const grid = { rows: Number(this.rows.input.value) || 1, columns: Number(this.columns.input.value) || 21 };
    return { how: "corners", corners: this.corners, ...grid, dark_first: this.darkFirst.input.checked, boustrophedon: this.turning.input.checked, ...known };
  }

  /** Asks for a count with the wedge as it is now, and keeps it as the run's. */
  async ask() {
    const wedge = this.wedge();
    if (wedge.how === "none") {
      this.counted = undefined;
      this.answer.textContent = "No wedge is looked for: the run measures the scene alone.";
      this.strip.replaceChildren();
    } else {
      if (!this.quad()) this.answer.textContent = "Looking for the wedge \u2026";
      try {
        this.counted = await post("/api/count", { on: this.on, wedge });
        this.showCount();
      } catch (error) {
        if (!(error instanceof Problem)) throw error;
        // While a corner is on its way, places that cannot be counted are no fault.
        this.counted = undefined;
        this.answer.replaceChildren(element("p", {}, element("b", {}, "Not counted: "), error.message));
        this.strip.replaceChildren();
      }
    }
    this.viewer?.redraw();
  }

  showCount() {
    const { wedge, candidate, levels, steps, words } = this.counted;
    const place = wedge ?? candidate;
    if (place && !this.corners) {
      this.rows.input.value = place.rows;
      this.columns.input.value = place.columns;
      this.darkFirst.input.checked = place.dark_first;
      this.turning.input.checked = place.boustrophedon;
      this.found = place.corners;
      this.writeCorners();
    }
    const figure = levels ? [element("b", { class: "big" }, String(levels.noise)), ` of ${levels.steps} steps resolved on this picture`] : ["No wedge was found."];
    this.answer.replaceChildren(element("p", {}, ...figure), sentences(words));
    const cells = (steps ?? []).map((/** @type {any} */ s) => {
      const resolved = s.resolved !== false;
      const text = resolved ? "" : (s.reason ?? "not resolved");
      return element("li", { class: resolved ? "yes" : "no", title: text, "aria-label": `step ${s.step}${text ? `: ${text}` : ""}` }, String(s.step));
    });
    this.strip.replaceChildren(...cells);
  }

  /** Corners that are shown: those set, else those found. @returns {number[][] | undefined} */
  quad() {
    return this.how === "none" ? undefined : (this.corners ?? this.found);
  }

  writeCorners() {
    const quad = this.quad();
    this.inputs.forEach((pair, index) => pair.forEach((f, k) => (f.input.value = quad ? quad[index][k].toFixed(1) : "")));
  }

  /** @param {number} index @param {number} axis @param {number} value */
  typed(index, axis, value) {
    const quad = this.quad()?.map((c) => [...c]);
    if (!quad || !Number.isFinite(value)) return;
    quad[index][axis] = value;
    this.set(quad);
    this.desk.try(this.store());
  }

  /** @param {number[][]} quad */
  set(quad) {
    this.how = "corners";
    this.corners = quad;
    this.count();
  }

  /** Fields other than the corners were changed. */
  changed() {
    const quad = this.quad();
    if (quad && this.how !== "none") this.set(quad.map((c) => [...c]));
    this.desk.try(this.store());
  }

  async store() {
    const wedge = this.wedge();
    await put("/api/settings", { wedge });
  }

  find() {
    [this.how, this.corners, this.found] = ["find", undefined, undefined];
    this.rows.input.value = this.columns.input.value = "";
    this.count();
    this.desk.try(this.store());
  }

  /** Corners in the middle of the view, to be dragged. */
  placed() {
    const { x, y, scale, width, height } = /** @type {Viewer} */ (this.viewer).view();
    const [w, h] = [(0.35 * width) / scale, (0.08 * height) / scale];
    return [[x - w, y - h], [x + w, y - h], [x + w, y + h], [x - w, y + h]];
  }

  place() {
    this.rows.input.value ||= "1";
    this.columns.input.value ||= "21";
    this.set(this.placed());
    this.writeCorners();
    this.desk.try(this.store());
    this.viewer?.stage.focus();
  }

  none() {
    [this.how, this.corners, this.found] = ["none", undefined, undefined];
    this.writeCorners();
    this.count();
    this.desk.try(this.store());
  }

  async keep() {
    const quad = this.quad();
    if (!quad) return;
    if (!this.corners) this.corners = quad.map((c) => [...c]);
    this.how = "corners";
    await post("/api/wedges", { on: this.on, wedge: this.wedge() });
    await this.listKept();
  }

  async listKept() {
    const { wedges } = await get("/api/wedges");
    if (!wedges.length) return this.keptOnes.replaceChildren();
    const options = /** @type {[string, string][]} */ (wedges.map((/** @type {any} */ w) => [w.wedge, `${w.from}, ${w.grid.rows} x ${w.grid.columns}${w.densities ? ", densities known" : ""}`]));
    const chosen = choice("A wedge of an earlier run", [["", "none"], ...options], this.kept ?? "", (value) => {
      [this.how, this.kept, this.corners, this.found] = value ? ["kept", value, undefined, undefined] : ["find", undefined, undefined, undefined];
      this.count();
      this.desk.try(this.store());
    });
    this.keptOnes.replaceChildren(chosen);
  }

  /** Brings a file of densities to the program, which reads it; none takes back the one before. @param {HTMLInputElement} input */
  async takeDensities(input) {
    const file = input.files?.[0];
    this.fileOfDensities = undefined;
    if (file) {
      const { upload } = await post("/api/upload");
      const sent = await put(`/api/upload/${upload}/${encodeURIComponent(file.name)}`, file);
      this.fileOfDensities = sent.picture;
    }
    this.changed();
  }

  /** @param {{x: number, y: number}} at @param {import("/page/viewer.js").View} view */
  grab(at, view) {
    if (this.picking) {
      const pick = this.picking;
      return pick(at);
    }
    const quad = this.quad()?.map((c) => [...c]);
    if (!quad) return undefined;
    const far = quad.map((c) => Math.hypot(c[0] - at.x, c[1] - at.y) * view.scale);
    const index = far.indexOf(Math.min(...far));
    if (far[index] > REACH) return undefined;
    const [dx, dy] = [quad[index][0] - at.x, quad[index][1] - at.y];
    this.moving = index;
    return (/** @type {{x: number, y: number}} */ to, /** @type {boolean} */ end) => {
      quad[index] = [Math.round((to.x + dx) * 2) / 2, Math.round((to.y + dy) * 2) / 2];
      this.set(quad.map((c) => [...c]));
      this.writeCorners();
      if (end) {
        this.moving = undefined;
        this.desk.try(this.store());
      }
    };
  }

  /** Keys 5 to 8 put a corner where the cursor is. @param {KeyboardEvent} event @param {{x: number, y: number}} at */
  key_(event, at) {
    const index = Number(event.key) - 5;
    if (event.key === "Escape" && this.picking) {
      this.picking = undefined;
      this.viewer?.redraw();
      return true;
    }
    if (!(index >= 0 && index < 4)) return false;
    const quad = (this.quad() ?? this.placed()).map((c) => [...c]);
    quad[index] = [at.x, at.y];
    this.set(quad);
    this.writeCorners();
    this.desk.try(this.store());
    return true;
  }

  /** @param {CanvasRenderingContext2D} pen @param {import("/page/viewer.js").View} view */
  overlay(pen, view) {
    const drawing = new Drawing(pen, view);
    for (const patch of this.counted?.wedge?.patches ?? []) drawing.outline(patch.corners, "#fff9", 1);
    const quad = this.quad();
    if (quad) drawing.wedge(quad, this.moving);
    const { edge, neutral } = this.desk.state.settings;
    for (const box of [edge, this.box]) if (box) drawing.box(box);
    if (neutral) drawing.place(neutral);
    if (this.moving !== undefined && quad && this.layer) drawing.loupe(this.layer, quad[this.moving]);
  }

  /** Flat field, neutral place and edge. @param {any} settings */
  showPlaces(settings) {
    const { desk } = this;
    const key = JSON.stringify([settings.flat_field, settings.neutral, settings.edge, this.key]);
    if (key === this.placesKey) return;
    this.placesKey = key;
    const store = (/** @type {any} */ what) => desk.try(put("/api/settings", what).then(() => desk.refresh()));
    const pick = (/** @type {NonNullable<typeof this.picking>} */ how) => {
      this.picking = how;
      this.viewer?.stage.focus();
      this.viewer?.stage.scrollIntoView({ block: "center" });
    };
    const flat = choice("Flat field", [["", "none"], ...this.pictures(desk.state.survey)], settings.flat_field ?? "", (value) => store({ flat_field: value || null }));
    const neutral = () =>
      pick((at) => {
        this.picking = undefined;
        store({ neutral: [at.x, at.y] });
        return () => {};
      });
    const edge = () =>
      pick((from) => (to, end) => {
        const whole = [Math.min(from.x, to.x), Math.min(from.y, to.y), Math.max(from.x, to.x), Math.max(from.y, to.y)].map(Math.round);
        this.box = end ? undefined : whole;
        if (!end) return;
        this.picking = undefined;
        if (whole[2] > whole[0] && whole[3] > whole[1]) store({ edge: whole });
      });
    const at = (/** @type {number[] | null} */ p) => (p ? p.map((v) => v.toFixed(0)).join(", ") : "none");
    const clear = (/** @type {string} */ what, /** @type {any} */ value) => (value ? [button("Clear", () => store({ [what]: null }), { "aria-label": `Clear ${what}` })] : []);
    this.places.replaceChildren(
      flat,
      element("p", { class: "row" }, button("Neutral place (raw frames)", neutral), at(settings.neutral), ...clear("neutral", settings.neutral)),
      element("p", { class: "row" }, button("Edge: drag a box", edge), at(settings.edge), ...clear("edge", settings.edge)),
    );
  }
}

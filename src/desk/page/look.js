// Task 4, Look: pictures of a bracket in step, the radiance map under an exposure slider with its values, and looks tried out.
import { put } from "/page/api.js";
import { button, choice, element, field, oneAtATime, signed } from "/page/dom.js";
import { MARKS, MapTiles, PictureTiles } from "/page/tiles.js";
import { Viewer } from "/page/viewer.js";

const TONES = /** @type {[string, string][]} */ ([
  ["default-look", "default look"],
  ["photographic", "photographic"],
  ["logarithmic", "logarithmic"],
  ["bilateral", "bilateral"],
]);
/** Controls of a look: name, words, limits, step, value without effect. */
const CONTROLS = /** @type {[string, string, number, number, number, number][]} */ ([
  ["exposure_stops", "Exposure, stops", -10, 10, 0.1, 0],
  ["highlights_stops", "Highlights, stops", -3, 3, 0.1, 0],
  ["shadows_stops", "Shadows, stops", -3, 3, 0.1, 0],
  ["local_contrast_stops", "Local contrast, stops", -1, 1, 0.05, 0],
  ["saturation", "Saturation", 0, 2, 0.05, 1],
]);
const KINDS = /** @type {Record<string, string>} */ ({ frame: "frame", "camera-hdr": "camera\u2019s HDR", rendered: "merge, rendered" });
/** Longer side of the preview of a look at most, pixels. */
const LONGEST = 1600;

/** Every picture of a survey. @param {any} survey @returns {{picture: string, file: string, kind: string}[]} */
function opened(survey) {
  if (!survey) return [];
  const kind = (/** @type {any[]} */ list, /** @type {string} */ words) => list.filter(Boolean).map((p) => ({ picture: p.picture, file: p.file, kind: words }));
  const brackets = survey.brackets.flatMap((/** @type {any} */ b) => [...kind(b.frames, "frame"), ...kind([b.camera_hdr], "camera\u2019s HDR")]);
  return [...brackets, ...kind(survey.singles, "single shot"), ...kind(survey.camera_hdr, "camera\u2019s HDR")];
}

/** Three significant digits. @param {number} v */
const short = (v) => (v === 0 ? "0" : Number(v.toPrecision(4)).toString());

export class Look {
  /** @param {HTMLElement} root @param {import("./desk.js").Desk} desk */
  constructor(root, desk) {
    this.desk = desk;
    this.key = "";
    /** @type {string | undefined} What was chosen by hand to be looked at. */
    this.chosen = undefined;
    /** @type {any} */
    this.bracket = undefined;
    /** @type {MapTiles | undefined} */
    this.map = undefined;
    /** @type {{x: number, y: number} | undefined} The last place under the cursor. */
    this.last = undefined;
    this.empty = element("p", { class: "soft" }, "Nothing is opened: choose a folder first.");
    this.body = element("div", { class: "two" });
    this.stage = element("div");
    this.side = element("div", { class: "side" });
    this.body.append(this.stage, this.side);
    root.append(this.empty, this.body);
    this.value = element("div", { class: "value" });
    this.which = element("div");
    this.controls = element("div");
    /** The picture for HDR displays, where the run wrote one. */
    this.bright = element("div", { class: "bright" });
    root.append(this.bright);
    this.stops = element("output", {});
    this.slider = field("Exposure of the map, stops", { type: "range", min: "-12", max: "16", step: "0.1", value: "0" }, (input) => this.expose(Number(input.value)), "input");
    this.slider.firstElementChild?.append(" ", this.stops);
    this.mark = choice("Mark in the map", MARKS.map(([key, words]) => /** @type {[string, string]} */ ([key, words])), "none", (value) => {
      if (!this.map) return;
      this.map.marked = MARKS.find(([key]) => key === value)?.[2] ?? 0;
      this.viewer?.redraw();
    });
    /** What needs a map. */
    this.ofMap = element("div", {}, this.slider, this.mark, element("h3", {}, "Value under the cursor"), this.value, element("h3", {}, "Try a look"), this.controls);
    this.side.append(this.which, this.ofMap);
    this.render = oneAtATime(
      () => this.preview(),
      (error) => desk.say(error),
    );
  }

  update() {
    const { run, runs, survey } = this.desk.state;
    const done = run?.brackets.filter((/** @type {any} */ b) => b.state === "done").length ?? 0;
    const key = `${run?.id ?? runs?.[0]?.id} ${done} ${run?.state} ${opened(survey).map((p) => p.picture)}`;
    if (key === this.key) return;
    this.key = key;
    this.desk.try(this.take());
  }

  async take() {
    this.result = await this.desk.result();
    const brackets = (this.result?.brackets ?? []).filter((/** @type {any} */ b) => b.map);
    const loose = opened(this.desk.state.survey);
    const any = brackets.length + loose.length > 0;
    this.empty.hidden = any;
    this.body.hidden = !any;
    if (!any) return;
    /** @type {[string, string][]} */
    const options = brackets.map((/** @type {any} */ b) => [b.name, b.name]);
    if (loose.length) options.push(["", "all pictures opened, as they are"]);
    const wanted = this.chosen ?? this.bracket?.name;
    const name = options.find(([value]) => value === wanted)?.[0] ?? options[0][0];
    const choose = (/** @type {string} */ value) => {
      this.chosen = value;
      this.desk.try(value ? this.open(value) : this.openLoose());
    };
    this.which.replaceChildren(choice("Pictures of", options, name, choose));
    if (!name) await this.openLoose();
    else if (name !== this.bracket?.name || this.result.run !== this.opened) await this.open(name);
  }

  /** The picture with a gain map as an ordinary image: the browser shows it as light as the display can. */
  showBright() {
    const file = `${this.bracket.name}/picture-bright.jpg`;
    const there = this.bracket.entry.outputs.some((/** @type {any} */ o) => o.path === file);
    if (!there) return this.bright.replaceChildren();
    const image = element("img", { src: `${this.result.files}${file.split("/").map(encodeURIComponent).join("/")}`, alt: `${this.bracket.name}, merge, for HDR displays` });
    const words = "Lighter than white only on a display with headroom, in a browser that reads gain maps.";
    this.bright.replaceChildren(element("h3", {}, "For HDR displays"), image, element("p", { class: "soft" }, words));
  }

  /** The pictures that were opened, each whole in its pane: nothing is known of how they lie on each other. */
  async openLoose() {
    this.map = this.bracket = undefined;
    this.ofMap.hidden = true;
    this.bright.replaceChildren();
    const changed = () => this.viewer?.redraw();
    /** @type {import("/page/viewer.js").Shown[]} */
    const shown = [];
    let size = { width: 1, height: 1 };
    for (const { picture, file, kind } of opened(this.desk.state.survey)) {
      const layer = await PictureTiles.open(picture, changed);
      const { columns, rows } = layer.shape;
      if (!shown.length) size = { width: columns, height: rows };
      const place = [columns / size.width, 0, 0, 0, rows / size.height, 0, 0, 0, 1];
      shown.push({ name: file, kind, place, draw: (pen) => layer.draw(pen) });
    }
    this.viewer = new Viewer(this.stage, shown, size);
  }

  /** @param {string} name */
  async open(name) {
    this.opened = this.result.run;
    this.ofMap.hidden = false;
    this.bracket = this.result.brackets.find((/** @type {any} */ b) => b.name === name);
    this.showBright();
    const changed = () => this.viewer?.redraw();
    const map = await MapTiles.open(this.bracket.map, () => {
      changed();
      this.read();
    });
    this.map = map;
    const size = { width: map.about.columns, height: map.about.rows };
    /** @type {import("/page/viewer.js").Shown[]} */
    const shown = [{ name: "radiance map", kind: "under the slider", draw: (pen) => map.draw(pen) }];
    const pictures = [...this.bracket.pictures].sort((a, b) => Number(b.kind === "rendered") - Number(a.kind === "rendered"));
    for (const picture of pictures) {
      const layer = await PictureTiles.open(picture.picture, changed);
      const kind = picture.reference ? "reference frame" : (KINDS[picture.kind] ?? picture.kind);
      shown.push({ name: picture.file, kind, place: picture.to_picture?.flat(), draw: (pen) => layer.draw(pen) });
    }
    this.tried = new Image();
    const { tried } = this;
    tried.addEventListener("load", changed);
    shown.push({
      name: "the look tried",
      kind: "preview",
      draw: (pen) => {
        if (!tried.naturalWidth) return;
        pen.imageSmoothingEnabled = true;
        pen.drawImage(tried, 0, 0, size.width, size.height);
      },
    });
    this.viewer = new Viewer(this.stage, shown, size, { point: (at) => this.read(at) });
    this.expose(0);
    this.slider.input.value = "0";
    this.buildControls();
    this.read();
  }

  /** @param {number} stops */
  expose(stops) {
    this.stops.textContent = signed(stops, 1);
    if (this.map) this.map.stops = stops;
    this.viewer?.redraw();
  }

  /** Shows the map's value. @param {{x: number, y: number} | undefined} [at] The last place if none is given. */
  read(at = this.last) {
    if (!this.map) return;
    this.last = at;
    const seen = at && this.map.valueAt(at);
    if (!seen) {
      if (!at) this.value.replaceChildren(element("p", { class: "soft" }, "Move over a picture, or use the arrow keys on it."));
      return;
    }
    const rows = /** @type {[string, string][]} */ ([
      ["Place", `column ${seen.column}, row ${seen.row}`],
      ["Radiance", `${short(seen.red)}, ${short(seen.green)}, ${short(seen.blue)} (red, green, blue)`],
      ["Stops", seen.green > 0 ? `${signed(Math.log2(seen.green), 2)} from where the reference clips` : "below zero"],
      ["Uncertainty", seen.uncertainty > 0 ? `\u00b1 ${short(100 * seen.uncertainty)} % (one sigma)` : "not stated"],
      ["Frame", seen.frame],
      ["Flags", seen.words.join(", ") || "none"],
    ]);
    this.value.replaceChildren(element("dl", {}, ...rows.map(([name, text]) => element("div", {}, element("dt", {}, name), element("dd", {}, text)))));
    this.value.dataset.green = String(seen.green);
    this.value.dataset.place = `${seen.column},${seen.row}`;
  }

  buildControls() {
    this.look = { ...this.desk.state.settings.look };
    if (!TONES.some(([key]) => key === this.look.operator)) this.look.operator = TONES[0][0];
    const changed = () => {
      this.show();
      this.render();
    };
    const tone = choice("Tones", TONES, this.look.operator, (value) => {
      this.look.operator = value;
      changed();
    });
    const sliders = CONTROLS.map(([name, words, low, high, step]) => {
      const digits = step < 0.1 ? 2 : 1;
      const output = element("output", {}, signed(this.look[name], digits));
      const made = field(words, { type: "range", min: String(low), max: String(high), step: String(step), value: String(this.look[name]) }, (input) => {
        this.look[name] = Number(input.value);
        output.textContent = signed(this.look[name], digits);
        changed();
      }, "input");
      made.firstElementChild?.append(" ", output);
      return made;
    });
    const plain = button("Reset", () => {
      for (const [name, , , , , value] of CONTROLS) this.look[name] = value;
      this.desk.state.settings.look = { ...this.look };
      this.buildControls();
      this.render();
    });
    const keep = button("Use it for the next run", () => this.desk.try(put("/api/settings", { look: this.look }).then(() => this.desk.refresh())));
    this.controls.replaceChildren(tone, ...sliders, element("div", { class: "row" }, plain, keep));
  }

  /** Brings the preview into the viewer, in place of the last picture if there are four. */
  show() {
    const { viewer } = this;
    if (!viewer) return;
    const preview = viewer.pictures[viewer.pictures.length - 1];
    if (viewer.chosen.includes(preview)) return;
    viewer.chosen = [...viewer.chosen.slice(0, 3), preview];
    viewer.list();
  }

  async preview() {
    if (!this.bracket || !this.tried) return;
    const began = performance.now();
    const look = encodeURIComponent(JSON.stringify(this.look));
    const { tried } = this;
    const there = new Promise((done) => {
      tried.onload = done;
      tried.onerror = done;
    });
    const { width, height, scale } = this.viewer?.view() ?? { width: LONGEST, height: LONGEST, scale: 1 };
    const { columns, rows } = this.map?.about ?? { columns: LONGEST, rows: LONGEST };
    // As many pixels as the pane shows of the whole picture.
    const seen = Math.max(width, height, scale * Math.max(columns, rows)) * devicePixelRatio;
    const longest = Math.max(64, Math.min(LONGEST, Math.ceil(seen)));
    tried.src = `/api/map/${this.bracket.map}/look?longest=${longest}&quality=90&look=${look}`;
    await there;
    this.controls.dataset.milliseconds = String(Math.round(performance.now() - began));
  }
}

// Task 5, Publish: sheets as they will be, their pictures and crops chosen by clicking, saved with a folder for the web.
import { post } from "/page/api.js";
import { button, choice, element, field, sentences } from "/page/dom.js";
import { PictureTiles } from "/page/tiles.js";
import { Viewer } from "/page/viewer.js";

const SIZES = /** @type {[string, string][]} */ ([
  ["1920x1080", "1920 x 1080, wide"],
  ["1080x1920", "1080 x 1920, upright"],
  ["3840x2160", "3840 x 2160, wide"],
]);
const LOOKS = ["light", "dark"];

export class Publish {
  /** @param {HTMLElement} root @param {import("./desk.js").Desk} desk */
  constructor(root, desk) {
    this.desk = desk;
    this.key = "";
    /** @type {(HTMLLabelElement & {input: HTMLInputElement, file: unknown})[]} */
    this.boxes = [];
    /** @type {{sheet: string, input: HTMLInputElement, item: HTMLElement}[]} */
    this.drawn = [];
    this.empty = element("p", { class: "soft" }, "No run is finished: run the job first.");
    this.body = element("div");
    root.append(this.empty, this.body);
    this.which = element("div");
    this.size = choice("Size, pixels", SIZES, SIZES[0][0], () => {});
    this.looks = LOOKS.map((look) => field(look, { type: "checkbox", checked: "" }, () => {}));
    this.pictures = element("div", { class: "row", role: "group", "aria-label": "Pictures on the sheets" });
    this.stage = element("div");
    this.chosen = element("ul", { class: "chips", "aria-label": "Crops" });
    this.draw = button("Show the sheets", () => desk.try(this.preview()), { class: "first" });
    this.state = element("p", { role: "status" });
    this.sheets = element("ul", { class: "sheets" });
    this.png = field("PNG", { type: "checkbox", checked: "" }, () => {});
    this.svg = field("SVG", { type: "checkbox", checked: "" }, () => {});
    this.web = field("Folder for the web: report page with its pictures, tables", { type: "checkbox", checked: "" }, () => {});
    this.save = button("Publish", () => desk.try(this.publish()), { class: "first" });
    this.saved = element("div", { role: "status" });
    /** What needs a bracket. */
    this.ofBracket = element(
      "div",
      {},
      this.which,
      element("div", { class: "row" }, this.size, element("div", { class: "row", role: "group", "aria-label": "Looks" }, ...this.looks)),
      element("h3", {}, "Pictures"),
      this.pictures,
      element("h3", {}, "Crops"),
      element("p", { class: "soft" }, "Click a place, or press M at the middle of the view; up to four. Without any, the sheets show the lightest and the darkest step."),
      this.stage,
      this.chosen,
      element("p", { class: "row" }, this.draw),
      this.state,
      this.sheets,
    );
    this.body.append(this.ofBracket, element("h3", {}, "Save"), element("div", { class: "row" }, this.png, this.svg, this.web, this.save), this.saved);
  }

  update() {
    const { run, runs } = this.desk.state;
    const key = `${run?.id ?? runs?.[0]?.id} ${run?.state}`;
    if (key === this.key) return;
    this.key = key;
    this.desk.try(this.take());
  }

  async take() {
    this.result = await this.desk.result();
    const done = Boolean(this.result?.report);
    const brackets = done ? this.result.brackets : [];
    this.empty.hidden = done;
    this.body.hidden = !done;
    this.ofBracket.hidden = !brackets.length;
    if (!done || this.result.run === this.opened) return;
    this.opened = this.result.run;
    this.saved.replaceChildren();
    this.drawn = [];
    if (!brackets.length) return;
    const options = brackets.map((/** @type {any} */ b) => /** @type {[string, string]} */ ([b.name, b.name]));
    this.which.replaceChildren(...(brackets.length > 1 ? [choice("Bracket", options, options[0][0], (value) => this.desk.try(this.open(value)))] : []));
    await this.open(options[0][0]);
  }

  /** @param {string} name */
  async open(name) {
    this.bracket = this.result.brackets.find((/** @type {any} */ b) => b.name === name);
    this.sheets.replaceChildren();
    this.drawn = [];
    this.saved.replaceChildren();
    this.state.textContent = "";
    const files = [...new Set(this.bracket.pictures.map((/** @type {any} */ p) => p.file))];
    this.boxes = files.map((file) => Object.assign(field(String(file), { type: "checkbox" }, () => {}), { file }));
    this.pictures.replaceChildren(...this.boxes, element("span", { class: "soft" }, "none ticked: the usual ones"));
    const layer = await PictureTiles.open(this.bracket.rendered, () => this.viewer?.redraw());
    const { columns, rows } = layer.shape;
    const shown = [{ name: "merge", kind: "rendered", draw: (/** @type {CanvasRenderingContext2D} */ pen) => layer.draw(pen) }];
    this.viewer = new Viewer(this.stage, shown, { width: columns, height: rows }, { marked: (marks) => this.list(marks) });
    this.list([]);
  }

  /** @param {{x: number, y: number}[]} marks */
  list(marks) {
    const item = (/** @type {{x: number, y: number}} */ m) =>
      element(
        "li",
        {},
        `column ${m.x.toFixed(0)}, row ${m.y.toFixed(0)} `,
        button("Remove", () => this.viewer?.setMarks(marks.filter((other) => other !== m)), { "aria-label": `Remove the crop at column ${m.x.toFixed(0)}, row ${m.y.toFixed(0)}` }),
      );
    this.crops = marks.map((m) => ({ name: null, picture: null, place: { point: [Math.round(m.x), Math.round(m.y)] } }));
    this.chosen.replaceChildren(...marks.map(item));
  }

  async preview() {
    this.state.textContent = "Drawing the sheets \u2026";
    const [width, height] = this.size.select.value.split("x").map(Number);
    const looks = LOOKS.filter((_, index) => this.looks[index].input.checked);
    const pictures = this.boxes.filter((b) => b.input.checked).map((b) => b.file);
    const asked = { run: this.result.run, bracket: this.bracket.name, sheets: { width, height, looks, pictures }, crops: this.crops };
    const { sheets, milliseconds } = await post("/api/sheets", asked).finally(() => (this.state.textContent = ""));
    this.state.textContent = `${sheets.length} sheets, drawn in ${(milliseconds / 1000).toFixed(1)} s.`;
    this.drawn = sheets.map((/** @type {any} */ sheet) => {
      const box = field(`${sheet.name}`, { type: "checkbox", checked: "" }, () => {});
      const image = element("img", { src: `/api/sheet/${sheet.sheet}.png`, alt: sheet.words, width: sheet.width, height: sheet.height, loading: "lazy" });
      const link = element("a", { href: `/api/sheet/${sheet.sheet}.png`, target: "_blank" }, image);
      return { sheet: sheet.sheet, input: box.input, item: element("li", {}, link, box) };
    });
    this.sheets.replaceChildren(...this.drawn.map((d) => d.item));
  }

  async publish() {
    const sheets = this.drawn.filter((d) => d.input.checked).map((d) => d.sheet);
    const kinds = [this.png.input.checked && "png", this.svg.input.checked && "svg"].filter(Boolean);
    this.saved.replaceChildren(element("p", {}, "Saving \u2026"));
    const { folder, files, words: cautions } = await post("/api/publish", { run: this.result.run, sheets, kinds, web: this.web.input.checked }).catch((error) => {
      this.saved.replaceChildren();
      throw error;
    });
    const names = files.map((/** @type {string} */ f) => element("li", {}, f));
    const words = `${files.length} ${files.length === 1 ? "file" : "files"} in ${folder}`;
    this.saved.replaceChildren(element("p", {}, element("b", {}, "Published: "), words), sentences(cautions), element("details", {}, element("summary", {}, "Files"), element("ul", {}, ...names)));
  }
}

// Task 3, Run: the job with its progress by stage and bracket; what a run left.
import { post, put } from "/page/api.js";
import { button, choice, element, field, plain } from "/page/dom.js";

const STATES = /** @type {Record<string, string>} */ ({
  running: "Running",
  cancelling: "Cancelling: ends at the next stage",
  done: "Done",
  "part-done": "Done, with failures",
  failed: "Failed",
  cancelled: "Cancelled; finished files are complete",
  waiting: "waiting",
});

/** Settings of a run that are on or off. */
const SETTINGS = [
  ["register", "Align the frames"],
  ["motion", "Look for what moved between them"],
  ["linear", "The codes of the frames are linear in light"],
  ["fuse", "Make the picture by exposure fusion of the frames, not from the map"],
  ["bright", "Write pictures for HDR displays too"],
  ["keep_place", "Keep the GPS location in pictures"],
];

/** Settings that are numbers, with the least and the greatest. */
const NUMBERS = /** @type {[string, string, number, number][]} */ ([
  ["jpeg_quality", "Quality of JPEG files, 1 to 100", 1, 100],
  ["peak", "Peak of an HDR display, cd/m\u00b2", 203, 10000],
]);

/** Colour spaces of the pictures. */
const COLOURS = /** @type {[string, string][]} */ ([
  ["srgb", "sRGB"],
  ["display-p3", "Display P3"],
]);

export class Run {
  /** @param {HTMLElement} root @param {import("./desk.js").Desk} desk */
  constructor(root, desk) {
    this.desk = desk;
    this.name = field("Name of the results folder", { type: "text", maxlength: "80", placeholder: "as the pictures\u2019 folder" }, () => {});
    this.start = button("Run", () => desk.try(this.begin()), { class: "first" });
    this.cancel = button("Cancel", () => desk.try(post("/api/run/cancel")));
    this.about = element("p", { class: "soft" });
    this.ticks = SETTINGS.map(([name, words]) => Object.assign(field(words, { type: "checkbox" }, (input) => desk.try(put("/api/settings", { [name]: input.checked }))), { name }));
    this.numbers = NUMBERS.map(([name, words, min, max]) => Object.assign(field(words, { type: "number", min: String(min), max: String(max), step: "1" }, (input) => desk.try(put("/api/settings", { [name]: Number(input.value) }))), { name }));
    this.colours = choice("Colours of the pictures", COLOURS, COLOURS[0][0], (output) => desk.try(put("/api/settings", { look: { ...desk.state.settings.look, output } }).then(() => desk.refresh())));
    this.settings = element("details", {}, element("summary", {}, "Settings"), element("div", { class: "list" }, ...this.ticks), element("div", { class: "row" }, ...this.numbers, this.colours));
    this.state = element("p", { role: "status" });
    this.list = element("div", { class: "cards" });
    this.after = element("div");
    root.append(this.about, element("div", { class: "row" }, this.name, this.start, this.cancel), this.settings, this.state, this.list, this.after);
  }

  async begin() {
    await post("/api/run", { name: this.name.input.value.trim() || null });
    await this.desk.refresh();
  }

  update() {
    const { survey, run, surveying, opened, settings } = this.desk.state;
    for (const tick of this.ticks) if (document.activeElement !== tick.input) tick.input.checked = settings[tick.name];
    for (const number of this.numbers) if (document.activeElement !== number.input) number.input.value = String(settings[number.name]);
    this.colours.select.value = settings.look.output;
    const busy = run && ["running", "cancelling"].includes(run.state);
    const count = survey?.brackets.length ?? 0;
    const shots = survey?.singles.length ?? 0;
    this.about.textContent = !opened
      ? "Nothing is opened: choose a folder first."
      : `${count} ${count === 1 ? "bracket" : "brackets"} and ${shots} single ${shots === 1 ? "shot" : "shots"} are ready. Results go into a new folder.`;
    this.start.disabled = busy || surveying || !opened;
    this.cancel.hidden = !busy;
    this.cancel.disabled = run?.state === "cancelling";
    if (!run) return;
    const now = run.now ? `, ${run.now.what} ${run.now.index + 1} of ${run.now.count}` : "";
    const stage = run.stage ? `: ${run.stage}` : "";
    const seconds = `${run.seconds.toFixed(run.seconds < 10 ? 1 : 0)} s`;
    this.state.textContent = `${STATES[run.state] ?? run.state}${busy ? now + stage : ""}, ${seconds}`;
    this.list.replaceChildren(...run.brackets.map((/** @type {any} */ b) => this.bracket(b)), ...run.failures.map(failure));
    this.after.replaceChildren(...(busy ? [] : this.done(run)));
    if (run.brackets.some((/** @type {any} */ b) => b.state === "done")) this.desk.try(this.answers(run));
  }

  /** Adds to the cards of finished brackets what came out. @param {any} run */
  async answers(run) {
    const result = await this.desk.result(run.id);
    for (const card of this.list.querySelectorAll("[data-name]")) {
      const found = result?.brackets.find((/** @type {any} */ b) => b.name === /** @type {HTMLElement} */ (card).dataset.name);
      if (!found?.entry || card.querySelector("img")) continue;
      const image = element("img", { src: `/api/picture/${found.rendered}/view?longest=640`, alt: `${found.name}, merge, rendered` });
      card.append(element("div", { class: "answer" }, image, element("p", {}, found.entry.headline)));
    }
  }

  /** @param {any} bracket */
  bracket(bracket) {
    const words = { running: bracket.stage ?? "running", done: "done", failed: "failed" }[/** @type {"done"} */ (bracket.state)] ?? "waiting";
    const seconds = bracket.seconds === null ? "" : `, ${bracket.seconds.toFixed(1)} s`;
    const bar = bracket.state === "running" ? [element("progress", { "aria-label": `${bracket.name} is running` })] : [];
    const problem = bracket.problem ? [failure(bracket)] : [];
    return element("div", { class: "card", "data-name": bracket.name }, element("h3", {}, bracket.name), element("p", {}, words + seconds), ...bar, ...problem);
  }

  /** @param {any} run */
  done(run) {
    if (!run.summary) return [];
    const report = element("a", { href: `/results/${run.id}/report.html`, target: "_blank" }, "Open the report");
    return [
      element("h3", {}, "Figures"),
      element("pre", { class: "summary", tabindex: "0", "aria-label": "Figures" }, plain(run.summary)),
      element("p", { class: "row" }, element("a", { href: "#look", class: "go" }, "Look at the pictures"), element("a", { href: "#publish", class: "go" }, "Publish"), report),
      element("p", { class: "soft" }, `Files: ${run.folder}`),
    ];
  }
}

/** @param {{problem: string, advice: string}} what */
function failure(what) {
  return element("p", { class: "warning" }, element("b", {}, what.problem), " ", what.advice ?? "");
}

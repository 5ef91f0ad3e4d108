// Task 1, Choose: a folder or dropped files, what was found in them, and corrections to it.
import { Problem, get, post, put } from "/page/api.js";
import { button, element, field, sentences, signed } from "/page/dom.js";

export class Choose {
  /** @param {HTMLElement} root @param {import("./desk.js").Desk} desk */
  constructor(root, desk) {
    this.desk = desk;
    /** @type {Set<string>} Pictures that are ticked. */
    this.ticked = new Set();
    /** @type {any} The folder on view. */
    this.listed = undefined;
    this.exposure = field("Exposure", { type: "text", placeholder: "1/60,f2.8,iso100 or +1ev", size: "20" }, () => {});
    /** @type {[number, HTMLButtonElement][]} What can be done with ticked pictures: how many it needs (-1: exactly one), and its button. */
    this.acts = [];
    this.place = element("p", { class: "path" });
    this.folders = element("ul", { class: "folders" });
    this.pictures = element("ul", { class: "thumbs", "aria-label": "Pictures in this folder" });
    this.open = button("Open this folder", () => desk.try(this.take({ folder: this.listed.path })), { class: "first" });
    this.files = field("or choose files", { type: "file", multiple: "", accept: "image/*,.dng,.tif,.tiff,.exr,.hdr" }, (input) => desk.try(this.upload([...(input.files ?? [])])));
    this.progress = element("p", { role: "status" });
    this.found = element("div");
    this.browser = /** @type {HTMLDetailsElement} */ (
      element(
        "details",
        { class: "browser" },
        element("summary", {}, "Folder"),
        this.place,
        this.folders,
        element("div", { class: "row" }, this.open, this.files),
        element("p", { class: "soft" }, "Files can also be dropped anywhere on this page."),
        this.pictures,
      )
    );
    root.append(this.browser, this.progress, this.found);
    document.addEventListener("dragover", (event) => event.preventDefault());
    document.addEventListener("drop", (event) => {
      event.preventDefault();
      desk.try(this.upload([...(event.dataTransfer?.files ?? [])]));
    });
  }

  update() {
    const { state } = this.desk;
    if (!this.listed) {
      this.listed = { path: state.start };
      this.browser.open = !state.opened;
      this.desk.try(this.list(state.opened?.folder ?? state.start));
    }
    if (state.surveying) this.progress.textContent = "Reading the pictures\u2019 metadata \u2026";
    else if (this.progress.textContent?.startsWith("Reading")) this.progress.textContent = "";
    if (state.revision !== this.revision) {
      this.revision = state.revision;
      this.show(state);
    }
  }

  /** @param {string} path */
  async list(path) {
    const listed = await get(`/api/folder?path=${encodeURIComponent(path)}`);
    this.listed = listed;
    this.place.replaceChildren(element("b", {}, listed.path));
    const go = (/** @type {string} */ text, /** @type {string} */ to) => element("li", {}, button(text, () => this.desk.try(this.list(to))));
    this.folders.replaceChildren(
      ...(listed.parent ? [go("\u2191 Folder above", listed.parent)] : []),
      ...listed.folders.map((/** @type {any} */ f) => go(f.name, f.path)),
    );
    const shown = listed.pictures.map((/** @type {any} */ p) => element("li", {}, thumb(p.picture), element("span", {}, p.name)));
    this.pictures.replaceChildren(...shown);
  }

  /** @param {unknown} what */
  async take(what) {
    await post("/api/open", what);
    this.browser.open = false;
    await this.desk.refresh();
  }

  /** @param {File[]} files */
  async upload(files) {
    if (!files.length) return;
    const { upload, files_at_most: most, bytes_at_most: limit } = await post("/api/upload");
    if (files.length > most) throw new Problem(`${files.length} files are too many.`, `At most ${most} can be given at once; open their folder instead.`);
    for (const [index, file] of files.entries()) {
      this.progress.textContent = `Taking ${file.name} (${index + 1} of ${files.length})`;
      if (file.size > limit) throw new Problem(`${file.name} is too large.`, "Open its folder instead.");
      await put(`/api/upload/${upload}/${encodeURIComponent(file.name)}`, file);
    }
    this.progress.textContent = "";
    await this.take({ upload });
  }

  /** @param {any} edit */
  edit(edit) {
    this.ticked.clear();
    return this.desk.try(post("/api/edit", edit));
  }

  /** @param {any} state */
  show(state) {
    const { survey } = state;
    if (!survey) {
      this.found.replaceChildren(...(state.problem ? [element("p", { class: "warning" }, element("b", {}, state.problem.problem), " ", state.problem.advice)] : []));
      return;
    }
    const brackets = survey.brackets.map((/** @type {any} */ b) => this.bracket(b));
    const lists = /** @type {[string, any[], boolean][]} */ ([
      ["Single shots", survey.singles, true],
      ["HDR pictures of the camera, with no bracket", survey.camera_hdr, true],
      ["Excluded", survey.excluded, true],
      ["Files not used", [...survey.unused, ...survey.failed.map((/** @type {any} */ f) => ({ file: f.file, reason: `${f.problem} ${f.advice}` }))], false],
    ]);
    const rest = lists.filter(([, list]) => list.length).map(([title, list]) => this.others(title, list));
    this.found.replaceChildren(element("h3", {}, "What was found"), sentences(survey.words), this.tools(state), ...brackets, ...rest);
    this.enable();
  }

  /** What can be done with the pictures that are ticked. @param {any} state */
  tools(state) {
    const ticked = () => [...this.ticked];
    const one = () => ticked()[0];
    const set = (/** @type {string | null} */ value) =>
      this.desk.try(async () => {
        for (const picture of ticked()) await post("/api/edit", { edit: "exposure", picture, value });
        this.ticked.clear();
      });
    this.acts = [
      [2, button("Join into one bracket", () => this.edit({ edit: "join", pictures: ticked() }))],
      [1, button("Split off", () => this.edit({ edit: "split", pictures: ticked() }))],
      [1, button("Exclude", () => this.edit({ edit: "exclude", pictures: ticked() }))],
      [1, button("Include again", () => this.edit({ edit: "include", pictures: ticked() }))],
      [-1, button("Make it the reference", () => this.edit({ edit: "reference", picture: one() }))],
      [-1, button("It is the camera\u2019s HDR picture", () => this.edit({ edit: "camera-hdr", picture: one(), is: true }))],
      [-1, button("It is a frame", () => this.edit({ edit: "camera-hdr", picture: one(), is: false }))],
      [1, button("Set exposure", () => set(this.exposure.input.value.trim() || null))],
    ];
    const undo = button("Undo", () => this.edit({ edit: "undo" }));
    undo.disabled = !state.can_undo;
    const buttons = this.acts.map(([, b]) => b);
    const set_exposure = /** @type {HTMLButtonElement} */ (buttons.pop());
    return element(
      "details",
      { class: "tools", ...(this.ticked.size && { open: "" }) },
      element("summary", {}, "Correct it"),
      element("p", { class: "soft" }, "Tick pictures below, then say what they are. Without a value, \u201cSet exposure\u201d goes back to the file\u2019s own."),
      element("div", { class: "row" }, ...buttons, undo),
      element("div", { class: "row" }, this.exposure, set_exposure),
    );
  }

  enable() {
    const count = this.ticked.size;
    for (const [least, b] of this.acts) b.disabled = least < 0 ? count !== 1 : count < least;
  }

  /** @param {any} picture @param {string} words */
  tick(picture, words) {
    const box = field("", { type: "checkbox", "aria-label": `Tick ${picture.file}` }, (input) => {
      if (input.checked) this.ticked.add(picture.picture);
      else this.ticked.delete(picture.picture);
      const tools = /** @type {HTMLDetailsElement | null} */ (this.found.querySelector(".tools"));
      if (tools && this.ticked.size) tools.open = true;
      this.enable();
    });
    box.input.checked = this.ticked.has(picture.picture);
    return element("li", {}, element("label", {}, box.input, thumb(picture.picture), element("b", {}, picture.file)), element("span", {}, words));
  }

  /** @param {any} bracket */
  bracket(bracket) {
    const frames = bracket.frames.map((/** @type {any} */ f, /** @type {number} */ index) => {
      const step = f.step === null ? "" : `${signed(f.step, 1)} stops`;
      return this.tick(f, [index === bracket.reference ? "reference" : step, f.exposure].filter(Boolean).join(", "));
    });
    const hdr = bracket.camera_hdr ? [this.tick(bracket.camera_hdr, `camera\u2019s HDR: ${bracket.camera_hdr.reason}`)] : [];
    const camera = bracket.camera ? `, ${bracket.camera}` : "";
    return element(
      "div",
      { class: "card" },
      element("h3", {}, bracket.name),
      element("p", { class: "soft" }, `Bracket of ${bracket.frames.length} frames${camera}`),
      sentences(bracket.words),
      element("ul", { class: "thumbs" }, ...frames, ...hdr),
    );
  }

  /** @param {string} title @param {any[]} list */
  others(title, list) {
    const items = list.map((one) => (one.picture ? this.tick(one, [one.camera, one.reason].filter(Boolean).join(": ")) : element("li", { class: "plain" }, element("b", {}, one.file), element("span", {}, one.reason))));
    return element("div", { class: "card" }, element("h3", {}, title), element("ul", { class: "thumbs" }, ...items));
  }
}

/** @param {string} picture */
function thumb(picture) {
  const image = element("img", { src: `/api/picture/${picture}/thumb`, alt: "", loading: "lazy", decoding: "async" });
  image.addEventListener("error", () => image.classList.add("missing"));
  return image;
}

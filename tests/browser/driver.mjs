// Headless Chromium over the DevTools protocol, through its pipe (file descriptors 3 and 4, messages ended by NUL). No package.
import { spawn } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";

/** Names under which the program is installed. */
export const PROGRAM = process.env.CHROMIUM ?? "chromium";

export const sleep = (/** @type {number} */ ms) => new Promise((done) => setTimeout(done, ms));

/** A browser with one page. */
export class Browser {
  constructor() {
    this.profile = mkdtempSync(join(tmpdir(), "stopspan-browser-"));
    const options = ["--headless", "--no-sandbox", "--disable-gpu", "--enable-unsafe-swiftshader", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--hide-scrollbars"];
    this.process = spawn(PROGRAM, [...options, "--remote-debugging-pipe", `--user-data-dir=${this.profile}`, "about:blank"], {
      stdio: ["ignore", "ignore", "ignore", "pipe", "pipe"],
    });
    this.number = 0;
    this.waiting = new Map();
    this.heard = [];
    /** Messages of the page's console and errors nobody caught. */
    this.complaints = [];
    let rest = "";
    this.process.stdio[4].on("data", (bytes) => {
      const parts = (rest + bytes).split("\0");
      rest = parts.pop();
      for (const part of parts) this.take(JSON.parse(part));
    });
  }

  take(message) {
    const waits = this.waiting.get(message.id);
    if (waits) {
      this.waiting.delete(message.id);
      message.error ? waits[1](new Error(`${waits[2]}: ${message.error.message}`)) : waits[0](message.result);
      return;
    }
    const { method, params } = message;
    if (method === "Runtime.exceptionThrown") this.complaints.push(params.exceptionDetails.exception?.description ?? params.exceptionDetails.text);
    if (method === "Runtime.consoleAPICalled" && params.type === "error") this.complaints.push(params.args.map((a) => a.value ?? a.description).join(" "));
    if (method === "Log.entryAdded" && params.entry.level === "error") this.complaints.push(`${params.entry.text} ${params.entry.url ?? ""}`);
    this.heard.push(method);
  }

  /** Calls a method of the protocol. */
  call(method, params = {}) {
    const id = ++this.number;
    const message = { id, method, params, ...(this.session && { sessionId: this.session }) };
    const answer = new Promise((done, failed) => this.waiting.set(id, [done, failed, method]));
    this.process.stdio[3].write(`${JSON.stringify(message)}\0`);
    return answer;
  }

  async start() {
    const { targetInfos } = await this.call("Target.getTargets");
    const { targetId } = targetInfos.find((t) => t.type === "page") ?? (await this.call("Target.createTarget", { url: "about:blank" }));
    this.session = (await this.call("Target.attachToTarget", { targetId, flatten: true })).sessionId;
    for (const domain of ["Page", "Runtime", "Log", "Network"]) await this.call(`${domain}.enable`);
    return this;
  }

  /** Sets the window's size in CSS pixels, and the look asked for. */
  async look(width, height, scheme = "light") {
    await this.call("Emulation.setDeviceMetricsOverride", { width, height, deviceScaleFactor: 1, mobile: false });
    await this.call("Emulation.setEmulatedMedia", { features: [{ name: "prefers-color-scheme", value: scheme }] });
  }

  async open(address) {
    this.heard = [];
    await this.call("Page.navigate", { url: address });
    await this.until(async () => this.heard.includes("Page.loadEventFired"), `loading ${address}`);
  }

  /** Value of an expression on the page, awaited; functions are called with the arguments. */
  async run(what, ...rest) {
    const expression = typeof what === "function" ? `(${what})(${rest.map((r) => JSON.stringify(r)).join(",")})` : what;
    const { result, exceptionDetails } = await this.call("Runtime.evaluate", { expression, awaitPromise: true, returnByValue: true });
    if (exceptionDetails) throw new Error(exceptionDetails.exception?.description ?? exceptionDetails.text);
    return result.value;
  }

  /** Waits until something is true, at most so long; returns it. */
  async until(what, name, seconds = 60) {
    const end = Date.now() + 1000 * seconds;
    for (;;) {
      const seen = typeof what === "function" && !String(what).startsWith("async") ? await this.run(what) : await (typeof what === "string" ? this.run(what) : what());
      if (seen) return seen;
      if (Date.now() > end) throw new Error(`waited ${seconds} s for: ${name ?? what}`);
      await sleep(50);
    }
  }

  /** Middle of the first element that matches, scrolled into view. */
  async middle(selector, text) {
    const place = await this.run(
      (s, t) => {
        const all = [...document.querySelectorAll(s)].filter((e) => e.getClientRects().length);
        const found = all.find((e) => !t || e.textContent.trim().startsWith(t));
        if (!found) return null;
        found.scrollIntoView({ block: "center" });
        const box = found.getBoundingClientRect();
        return [box.left + box.width / 2, box.top + box.height / 2];
      },
      selector,
      text ?? null,
    );
    if (!place) throw new Error(`nothing on the page is ${selector}${text ? ` "${text}"` : ""}`);
    return place;
  }

  mouse(type, x, y, more = {}) {
    return this.call("Input.dispatchMouseEvent", { type, x, y, button: type === "mouseMoved" && !more.buttons ? "none" : "left", clickCount: 1, ...more });
  }

  async clickAt(x, y) {
    await this.mouse("mouseMoved", x, y);
    await this.mouse("mousePressed", x, y);
    await this.mouse("mouseReleased", x, y);
  }

  async click(selector, text) {
    await this.clickAt(...(await this.middle(selector, text)));
  }

  async drag(from, to) {
    await this.mouse("mouseMoved", ...from);
    await this.mouse("mousePressed", ...from);
    for (let k = 1; k <= 6; k++) {
      await this.mouse("mouseMoved", from[0] + ((to[0] - from[0]) * k) / 6, from[1] + ((to[1] - from[1]) * k) / 6, { buttons: 1 });
    }
    await this.mouse("mouseReleased", ...to);
  }

  /** Presses a key by its name ("Tab", "ArrowLeft", "Enter", " ", "a"). */
  async press(key, modifiers = 0) {
    const codes = { Tab: 9, Enter: 13, Escape: 27, " ": 32, End: 35, Home: 36, ArrowLeft: 37, ArrowUp: 38, ArrowRight: 39, ArrowDown: 40, Backspace: 8, Delete: 46 };
    const code = codes[key] ?? key.toUpperCase().charCodeAt(0);
    const text = key === "Enter" ? "\r" : key.length === 1 ? key : undefined;
    await this.call("Input.dispatchKeyEvent", { type: text ? "keyDown" : "rawKeyDown", key, windowsVirtualKeyCode: code, modifiers, ...(text && { text }) });
    await this.call("Input.dispatchKeyEvent", { type: "keyUp", key, windowsVirtualKeyCode: code, modifiers });
  }

  async type(text) {
    for (const letter of text) await this.press(letter);
  }

  /** Writes what the window shows, or the whole page, as PNG. */
  async shot(file, whole = false) {
    let clip;
    if (whole) {
      const { cssContentSize } = await this.call("Page.getLayoutMetrics");
      clip = { x: 0, y: 0, width: cssContentSize.width, height: cssContentSize.height, scale: 1 };
    }
    const { data } = await this.call("Page.captureScreenshot", { format: "png", captureBeyondViewport: whole, ...(clip && { clip }) });
    writeFileSync(file, Buffer.from(data, "base64"));
  }

  async close() {
    const ended = new Promise((done) => this.process.once("exit", done));
    this.session = undefined;
    this.call("Browser.close").catch(() => {});
    const late = setTimeout(() => this.process.kill("SIGKILL"), 5000);
    await ended;
    clearTimeout(late);
    rmSync(this.profile, { recursive: true, force: true });
  }
}

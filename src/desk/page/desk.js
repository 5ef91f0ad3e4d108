// The desk: five tasks on one page. All state lives in the program; this page asks for it and shows it.
import { Problem, get, post } from "/page/api.js";
import { Choose } from "/page/choose.js";
import { button, element, plain } from "/page/dom.js";
import { Look } from "/page/look.js";
import { Point } from "/page/point.js";
import { Publish } from "/page/publish.js";
import { Run } from "/page/run.js";

/**
 * What every task of the page knows.
 * @typedef {object} Desk
 * @property {any} state As the program has it; see `GET /api/state`.
 * @property {(work: Promise<unknown> | (() => Promise<unknown>)) => Promise<void>} try Does something and shows what goes wrong.
 * @property {(error: unknown) => void} say Shows what went wrong.
 * @property {() => Promise<void>} refresh Asks for the state again.
 * @property {(run?: string) => Promise<any>} result What a run gave, the latest if none is named; `undefined` without one.
 */

/** @param {string} id */
const byId = (id) => /** @type {HTMLElement} */ (document.getElementById(id));

/** @type {Map<string, any>} Finished results by run. */
const results = new Map();

/** @type {Desk} */
const desk = {
  state: undefined,
  async try(work) {
    try {
      await (typeof work === "function" ? work() : work);
      byId("problem").replaceChildren();
    } catch (error) {
      desk.say(error);
    }
  },
  say(error) {
    if (!(error instanceof Problem)) console.error(error);
    const advice = error instanceof Problem && !error.advice.includes("--help") ? plain(error.advice) : "";
    const text = element("p", {}, element("b", {}, plain(String(/** @type {Error} */ (error).message))), " ", advice);
    byId("problem").replaceChildren(text, button("Close", () => byId("problem").replaceChildren()));
  },
  async refresh() {
    desk.state = await get("/api/state");
    show();
  },
  async result(run) {
    const id = run ?? desk.state?.run?.id ?? desk.state?.runs?.[0]?.id;
    if (!id) return undefined;
    const known = results.get(id);
    if (known) return known;
    const result = await get(`/api/result/${id}`);
    if (result.report) results.set(id, result);
    return result;
  },
};

/** @type {Record<string, {update: () => void, shown?: () => void}>} */
const tasks = {
  choose: new Choose(byId("choose"), desk),
  point: new Point(byId("point"), desk),
  run: new Run(byId("run"), desk),
  look: new Look(byId("look"), desk),
  publish: new Publish(byId("publish"), desk),
};

function current() {
  const name = location.hash.slice(1);
  return name in tasks ? name : desk.state?.run && ["running", "cancelling"].includes(desk.state.run.state) ? "run" : "choose";
}

function show() {
  const { state } = desk;
  byId("results").textContent = state.results;
  byId("opened").textContent = state.opened?.folder?.split(/[/\\]/).pop() ?? "";
  tasks[current()].update();
}

function turn() {
  const name = current();
  for (const id of Object.keys(tasks)) byId(id).hidden = id !== name;
  for (const link of document.querySelectorAll("nav a")) {
    if (link.getAttribute("href") === `#${name}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  document.title = `${name[0].toUpperCase()}${name.slice(1)} \u00b7 stopspan desk`;
  tasks[name].shown?.();
  if (desk.state) tasks[name].update();
}

byId("quit").addEventListener("click", () =>
  desk.try(async () => {
    await post("/api/quit");
    events.close();
    byId("main").replaceChildren(element("p", {}, "The program has ended. This page can be closed."));
  }),
);

const events = new EventSource("/api/events");
events.addEventListener("state", () => desk.try(desk.refresh()));
events.addEventListener("survey", () => desk.try(desk.refresh()));
events.addEventListener("run", (event) => {
  if (!desk.state) return;
  desk.state.run = JSON.parse(event.data);
  show();
});
addEventListener("hashchange", turn);
desk.try(desk.refresh().then(turn));

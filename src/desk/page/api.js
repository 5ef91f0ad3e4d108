// Calls of the program behind the page. What it refuses arrives as a Problem, in words for people.

/** What went wrong and what to do about it. */
export class Problem extends Error {
  /** @param {string} problem @param {string} [advice] */
  constructor(problem, advice) {
    super(problem);
    this.advice = advice ?? "";
  }
}

/**
 * @param {string} method
 * @param {string} path
 * @param {unknown} [body] Sent as JSON; a File or Blob as it is.
 * @param {AbortSignal} [signal]
 * @returns {Promise<any>}
 */
async function call(method, path, body, signal) {
  const raw = body instanceof Blob;
  const headers = body === undefined || raw ? undefined : { "Content-Type": "application/json" };
  const sent = raw || body === undefined ? body : JSON.stringify(body);
  let answer;
  try {
    answer = await fetch(path, { method, headers, body: /** @type {BodyInit | undefined} */ (sent), signal });
  } catch (error) {
    if (signal?.aborted) throw error;
    throw new Problem("The program does not answer.", "Start it again with: stopspan desk");
  }
  const text = await answer.text();
  let told;
  try {
    told = text ? JSON.parse(text) : {};
  } catch {
    told = {};
  }
  if (!answer.ok) throw new Problem(told.error?.problem ?? `The program answered ${answer.status}.`, told.error?.advice);
  return told;
}

/** @param {string} path @param {AbortSignal} [signal] */
export const get = (path, signal) => call("GET", path, undefined, signal);
/** @param {string} path @param {unknown} [body] @param {AbortSignal} [signal] */
export const post = (path, body = {}, signal) => call("POST", path, body, signal);
/** @param {string} path @param {unknown} body */
export const put = (path, body) => call("PUT", path, body);

// A network whose answers the test gives, one after the other; what was asked is kept.

/** A request that nobody answers: it ends when its signal gives up. */
export const SILENCE = Symbol("silence");

/** A network without a way to the controller. */
export const UNREACHABLE = Symbol("unreachable");

/** Return an answer of a status with JSON. */
export const json = (body, status = 200) => new Response(JSON.stringify(body), { status });

/** Return a refusal as the API makes it. */
export const problem = (status, type, detail, more = {}) =>
  json({ type: `https://biteclock.invalid/problems/${type}`, detail, ...more }, status);

export class NetworkDouble {
  constructor() {
    this.asked = [];
    this.answers = [];
    globalThis.fetch = (path, options = {}) => {
      this.asked.push({ path, ...options });
      const answer = this.answers.length > 1 ? this.answers.shift() : this.answers[0];
      if (answer === UNREACHABLE) return Promise.reject(new TypeError("fetch failed"));
      if (answer === SILENCE) return silence(options.signal);
      return Promise.resolve(answer).then((got) => (got instanceof Response ? got.clone() : got));
    };
  }

  /** Give these answers from now on; the last one again and again. */
  answer(...answers) {
    this.answers = answers;
  }

  get newest() {
    return this.asked.at(-1);
  }
}

const silence = (signal) =>
  new Promise((_, reject) => {
    signal.addEventListener("abort", () => reject(signal.reason));
  });

/** Return a promise and the means to keep it later: {promise, resolve}. */
export function promised() {
  let resolve;
  const promise = new Promise((keep) => (resolve = keep));
  return { promise, resolve };
}

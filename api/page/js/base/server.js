// Requests to the API. A refusal is an error that says what is wrong and what to do.

import { text } from "./text.js";

const PATIENCE_MS = 8000;
const UPLOAD_PATIENCE_MS = 120000;
const RESTORE_PATIENCE_MS = 1800000;
const TRIES = 3;
const AGAIN_MS = 1000;

/** Types of artwork files. For any other type the controller looks at the bytes. */
export const FILE_TYPES = [
  "image/png",
  "image/tiff",
  "image/jpeg",
  "application/pdf",
  "image/svg+xml",
];

/** A request was refused. errors: the fields that cannot be used, [{field, message, limit}]. */
export class RefusedError extends Error {
  constructor(status, problem) {
    super(problem?.detail ?? text("server.refused", { status }));
    this.status = status;
    this.kind = (problem?.type ?? "").split("/").pop();
    this.errors = problem?.errors ?? [];
    this.surprise = problem?.surprise ?? null;
    this.body = problem;
  }
}

/** A request got no answer. */
export class UnreachableError extends Error {
  constructor() {
    super(text("server.unreachable"));
  }
}

async function reach(path, options, patienceMs) {
  try {
    return await fetch(path, {
      cache: "no-store",
      ...options,
      signal: AbortSignal.timeout(patienceMs),
    });
  } catch {
    throw new UnreachableError();
  }
}

async function ask(path, options, patienceMs = PATIENCE_MS) {
  const answer = await reach(path, options, patienceMs);
  const body = await answer.json().catch(() => null);
  if (!answer.ok) throw new RefusedError(answer.status, body);
  return body;
}

/** Return the JSON at a path. */
export const get = (path) => ask(path, {});

/** Return the JSON at a path; ask again a little later while the control loop is busy. */
export async function getPatiently(path) {
  for (let trial = 1; ; trial += 1) {
    try {
      return await get(path);
    } catch (error) {
      if (trial === TRIES || error.kind !== "loop-not-alive") throw error;
      await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
    }
  }
}

/** Send JSON, or nothing, and return the answer. */
export function post(path, body, patienceMs = PATIENCE_MS) {
  if (body === undefined) return ask(path, { method: "POST" }, patienceMs);
  const headers = { "Content-Type": "application/json" };
  return ask(path, { method: "POST", headers, body: JSON.stringify(body) }, patienceMs);
}

/** Send JSON and return the file that comes back, {blob, headers}. */
export async function postForFile(path, body) {
  const headers = { "Content-Type": "application/json" };
  const options = { method: "POST", headers, body: JSON.stringify(body) };
  const answer = await reach(path, options, UPLOAD_PATIENCE_MS);
  if (!answer.ok) throw new RefusedError(answer.status, await answer.json().catch(() => null));
  return { blob: await answer.blob(), headers: answer.headers };
}

/** Send a file as it is and return the answer. */
export function upload(path, file) {
  const headers = {
    "Content-Type": FILE_TYPES.includes(file.type) ? file.type : "application/octet-stream",
  };
  return ask(path, { method: "POST", headers, body: file }, UPLOAD_PATIENCE_MS);
}

/** Send a backup, which the controller checks, and return the answer. */
export const restoreFrom = (file) =>
  ask(
    "/api/restore",
    { method: "POST", headers: { "Content-Type": "application/zip" }, body: file },
    RESTORE_PATIENCE_MS,
  );

/** Return a path with its query. Values that are null or empty are left out. */
export function query(path, values) {
  const known = Object.entries(values).filter(
    ([, value]) => value !== null && value !== undefined && value !== "",
  );
  const encoded = new URLSearchParams(known.map(([name, value]) => [name, String(value)]));
  return known.length === 0 ? path : `${path}?${encoded}`;
}

/** Return a path from its parts, each one escaped. */
export const path = (...parts) => `/api/${parts.map(encodeURIComponent).join("/")}`;

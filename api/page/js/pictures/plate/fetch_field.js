// Fetches the field of a plate, which the bench may have to work out first.

import { path } from "../../base/server.js";
import { text } from "../../base/text.js";
import { readField } from "./field.js";

const PATIENCE_MS = 240000;
const AGAIN_MS = 1500;
const BUSY = 503;

/** Return the field. While the bench measures or draws something else, ask again. */
export async function fetchField(artwork) {
  const patience = { signal: AbortSignal.timeout(PATIENCE_MS), cache: "no-store" };
  for (;;) {
    const answer = await fetch(`${path("artworks", artwork)}/field`, patience);
    if (answer.ok) return readField(await answer.arrayBuffer());
    const problem = await answer.json().catch(() => null);
    if (answer.status !== BUSY || patience.signal.aborted) {
      throw new Error(problem?.detail ?? text("server.refused", { status: answer.status }));
    }
    await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
  }
}

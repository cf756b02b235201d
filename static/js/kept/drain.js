// Send what this tablet kept, oldest first, in batches, one sender at a time over all tabs and the service worker.
// A mark leaves the state "kept" only by the server's own word about it; anything else is tried again later.
import { all, photo, put } from "./store.js";

const BATCH = 50;
const PART = 256 * 1024;
const PATIENCE_MS = 20_000;

export function drain() {
  return navigator.locks.request("changeout-drain", { ifAvailable: true }, async (lock) => {
    if (!lock) return { sent: 0, left: true };
    const waiting = (await all()).filter((mark) => mark.state === "kept");
    const result = { sent: 0, left: false, signIn: false };
    for (const batch of batches(waiting)) {
      if (!(await send(batch, result))) break;
    }
    return result;
  });
}

// Neighbours of one job and one person make a batch, so that the order over all of them holds.
function* batches(marks) {
  let batch = [];
  for (const mark of marks) {
    const first = batch[0];
    if (first && (first.job !== mark.job || first.person !== mark.person || batch.length === BATCH)) {
      yield batch;
      batch = [];
    }
    batch.push(mark);
  }
  if (batch.length) yield batch;
}

// A photo goes in parts, from wherever the server stands; it is whole before the mark that names it is sent.
async function sendPhoto(name) {
  const { blob } = await photo(name);
  const ask = async (address, body) => {
    const answer = await fetch(address, { method: body ? "POST" : "GET", body, signal: AbortSignal.timeout(PATIENCE_MS), redirect: "manual" });
    if (!answer.ok) throw new Error(`photo: ${answer.status}`);
    return answer.json();
  };
  let told = await ask(`/photos/${name}/held`);
  while (!told.whole) {
    const part = blob.slice(told.held, told.held + PART);
    told = await ask(`/photos/${name}/part?at=${told.held}&of=${blob.size}`, part);
  }
}

async function send(batch, result) {
  const { job, person } = batch[0];
  const marks = batch.map(({ n, act, step, answers, note, worker, hazards, token, device_at, seen, line, acknowledged, before, before_token }) =>
    ({ n, act, step, answers, note, worker: worker ?? "", hazards, token, device_at, seen, line, acknowledged, before, before_token })); // what is undefined is not sent
  let answer;
  try {
    for (const name of batch.flatMap((mark) => mark.photos ?? [])) await sendPhoto(name);
    answer = await fetch(`/jobs/${encodeURIComponent(job)}/kept`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ sent_at: new Date().toISOString(), person, marks }),
      signal: AbortSignal.timeout(PATIENCE_MS),
      redirect: "manual",
    });
  } catch {
    result.left = true;
    return false;
  }
  if (answer.type === "opaqueredirect" || answer.status === 401 || answer.status === 403) {
    result.signIn = result.left = true; // theirs to send, not this person's: later batches may be
    return true;
  }
  if (answer.status === 422 && batch.length > 1) {
    for (const mark of batch) if (!(await send([mark], result))) return false; // find the one that cannot be read
    return true;
  }
  if (answer.status === 422) {
    await put({ ...batch[0], state: "aside", told: "The server cannot read this mark." });
    return true;
  }
  if (!answer.ok) {
    result.left = true;
    return false;
  }
  const { results, line: under } = await answer.json();
  const told = new Map(results.map((item) => [item.n, item]));
  for (const mark of batch) {
    const item = told.get(mark.n);
    if (!item) { result.left = true; continue; }
    await put({ ...mark, state: item.taken ? "taken" : "aside", told: item.told, under });
    result.sent += 1;
  }
  return true;
}

// The second copy: marks that the server has acknowledged stay on this tablet until their record is signed.  After a
// restore of an older backup the server is on another line of entries, which every page names; then this tablet puts
// what was acknowledged on an earlier line back among the kept ones, once for each line, under its token and number.
import { all, hold, put, raise } from "./store.js";

export const line = () => document.body.dataset.line ?? "";

export async function putBack(here = line()) {
  const again = (await all()).filter((mark) => mark.state === "taken" && (mark.under ?? "") !== here);
  if (!again.length || (await told()) !== here) return; // a page kept from an earlier line says nothing of today
  for (const mark of again) await put({ ...mark, state: "kept", acknowledged: true });
}

async function told() {
  const answer = await fetch("/ready", { cache: "no-store" }).catch(() => null);
  return answer?.ok ? (answer.headers.get("Changeout-Line") ?? "") : null;
}

// A mark that went straight to the server and was answered: its copy counts as taken.
export async function holdCopy(mark) {
  const known = (await all()).some((other) => other.token === mark.token);
  if (!known) await hold({ ...mark, state: "taken", told: "", under: mark.line, direct: true });
}

// The mark that this tablet kept before for this job, by number and token, so that one that never arrives is noticed.
export async function before(job) {
  const last = (await all()).filter((mark) => mark.job === job).at(-1);
  return last ? { before: last.n, before_token: last.token } : {};
}

// What the record has seen of this tablet's numbers is never counted again, even if the browser's storage was cleared.
export async function countOnFrom(counted) {
  const own = (await all()).at(-1)?.n ?? 0;
  if (counted > own) await raise(counted);
}

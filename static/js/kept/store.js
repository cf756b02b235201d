// What this tablet keeps while the server is out of reach: marks in the order in which they were made, and the panels
// taken along for each job.  Shared by the pages and the service worker.  A mark counts as kept only after the
// browser has flushed it ("strict"); its number `n` is raised by one for each and never used again.
const NAME = "changeout-kept";
const VERSION = 2;
const STRICT = { durability: "strict" };
let opened;

function open() {
  opened ??= new Promise((resolve, reject) => {
    const asked = indexedDB.open(NAME, VERSION);
    asked.onupgradeneeded = () => {
      const has = asked.result.objectStoreNames;
      if (!has.contains("marks")) asked.result.createObjectStore("marks", { keyPath: "n", autoIncrement: true });
      if (!has.contains("packs")) asked.result.createObjectStore("packs", { keyPath: "job" });
      if (!has.contains("photos")) asked.result.createObjectStore("photos", { keyPath: "sha256" });
    };
    asked.onsuccess = () => {
      asked.result.onclose = () => { opened = undefined; };
      asked.result.onversionchange = () => { asked.result.close(); opened = undefined; };
      resolve(asked.result);
    };
    asked.onerror = () => { opened = undefined; reject(asked.error); };
  });
  return opened;
}

async function inside(store, mode, work) {
  const db = await open();
  return new Promise((resolve, reject) => {
    const transaction = db.transaction(store, mode, mode === "readwrite" ? STRICT : undefined);
    const asked = work(transaction.objectStore(store));
    transaction.oncomplete = () => resolve(asked && asked.result);
    transaction.onabort = transaction.onerror = () => reject(transaction.error);
  });
}

// state: "kept" (not yet on the server), "taken" (the server has it), "aside" (the server says why it has it not).
export const keep = (mark) => inside("marks", "readwrite", (store) => store.add({ ...mark, state: "kept", told: "" }));
export const all = () => inside("marks", "readonly", (store) => store.getAll());
// For what has its state already; and a key used and let go, so that the next number is higher.
export const hold = (mark) => inside("marks", "readwrite", (store) => store.add(mark));
export const raise = (n) => inside("marks", "readwrite", (store) => { store.put({ n, state: "none" }); store.delete(n); });
export const put = (mark) => inside("marks", "readwrite", (store) => store.put(mark));
export const savePack = (pack) => inside("packs", "readwrite", (store) => store.put(pack));
export const pack = (job) => inside("packs", "readonly", (store) => store.get(job));

export const savePhoto = (sha256, blob) => inside("photos", "readwrite", (store) => store.put({ sha256, blob }));
export const photo = (sha256) => inside("photos", "readonly", (store) => store.get(sha256));

// The marks of a job whose record has been signed are let go; until then the tablet holds the second copy.
export async function forget(job) {
  const gone = (await all()).filter((mark) => mark.job === job && mark.state === "taken");
  await inside("marks", "readwrite", (store) => { gone.forEach((mark) => store.delete(mark.n)); });
  await inside("packs", "readwrite", (store) => { store.delete(job); });
  const sent = gone.flatMap((mark) => mark.photos ?? []);
  await inside("photos", "readwrite", (store) => { sent.forEach((name) => store.delete(name)); });
}

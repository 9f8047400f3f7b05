// What is recorded, second by second, on the phone itself: a piece is on its disk before the next one is begun.

const NAME = "vibeorder-recorder";
let opened = null;

function database() {
  opened ??= new Promise((resolve, reject) => {
    const asked = indexedDB.open(NAME, 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("recordings", { keyPath: "id" });
      asked.result.createObjectStore("pieces", { keyPath: ["id", "n"] });
    };
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
    asked.onblocked = () => reject(new Error("another tab holds an older recorder page; close it"));
  });
  return opened;
}

// strict: the browser says that it is done only when the disk does, so that an empty battery costs no earlier second
async function within(names, mode, work) {
  const db = await database();
  return new Promise((resolve, reject) => {
    const transaction = db.transaction(names, mode, mode === "readwrite" ? { durability: "strict" } : {});
    let result;
    transaction.oncomplete = () => resolve(result);
    transaction.onabort = () => reject(transaction.error || new Error("the phone's storage gave up"));
    work(transaction, (value) => (result = value));
  });
}

export function all() {
  return within(["recordings"], "readonly", (transaction, give) => {
    transaction.objectStore("recordings").getAll().onsuccess = (event) => give(event.target.result.sort((a, b) => b.begun - a.begun));
  });
}

export function one(id) {
  return within(["recordings"], "readonly", (transaction, give) => {
    transaction.objectStore("recordings").get(id).onsuccess = (event) => give(event.target.result);
  });
}

// The piece and the count of pieces change together, or neither does.
export function keep(recording, n, bytes, sha256) {
  return within(["recordings", "pieces"], "readwrite", (transaction) => {
    transaction.objectStore("pieces").put({ id: recording.id, n, bytes, sha256 });
    transaction.objectStore("recordings").put({ ...recording, pieces: n + 1 });
  });
}

export function piece(id, n) {
  return within(["pieces"], "readonly", (transaction, give) => {
    transaction.objectStore("pieces").get([id, n]).onsuccess = (event) => give(event.target.result);
  });
}

export function change(id, changes) {
  return within(["recordings"], "readwrite", (transaction) => {
    const store = transaction.objectStore("recordings");
    store.get(id).onsuccess = (event) => {
      if (event.target.result) store.put({ ...event.target.result, ...changes });
    };
  });
}

export function dropPieces(id) {
  return within(["pieces"], "readwrite", (transaction) => transaction.objectStore("pieces").delete(IDBKeyRange.bound([id, 0], [id, Infinity])));
}

export function drop(id) {
  return within(["recordings", "pieces"], "readwrite", (transaction) => {
    transaction.objectStore("pieces").delete(IDBKeyRange.bound([id, 0], [id, Infinity]));
    transaction.objectStore("recordings").delete(id);
  });
}

export async function freeBytes() {
  try {
    const { quota, usage } = await navigator.storage.estimate();
    return quota - usage;
  } catch {
    return null;
  }
}

export async function sha256(bytes) {
  const digest = await crypto.subtle.digest("SHA-256", bytes);
  return [...new Uint8Array(digest)].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

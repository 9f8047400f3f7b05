// Sends what is on the phone, piece by piece, and goes on where it stopped. The server keeps each piece once.

import * as store from "./recorder_store.js";

export class Away extends Error {}
export class Locked extends Away {}
export class Refused extends Error {}

const PATIENCE_MS = 30000;

async function ask(path, options = {}) {
  let answer;
  try {
    answer = await fetch(path, { cache: "no-store", redirect: "error", signal: AbortSignal.timeout(PATIENCE_MS), ...options });
  } catch {
    throw new Away("The shop page is out of reach.");
  }
  const said = await answer.json().catch(() => ({}));
  if (answer.status === 401) throw new Locked("This phone has to give the access code again.");
  if ([408, 429, 502, 503, 504].includes(answer.status)) throw new Away(said.error || "The shop page is busy.");
  return { status: answer.status, said };
}

function refused(said) {
  return new Refused(said.error || "The shop page did not understand; load this page again.");
}

// Sends one recording to its end. onShare(pieces there, of all). Returns what the server made of it.
export async function send(recording, onShare) {
  const token = (await ask("/api/record/hello")).said.csrf_token;
  const headers = { "X-CSRF-Token": token };
  const path = `/api/record/${recording.id}`;
  for (let round = 0; round < 5; round++) {
    const { status, said } = await ask(path);
    if (status !== 200) throw refused(said);
    const there = new Set(said.pieces);
    const digests = [];
    for (let n = 0; n < recording.pieces; n++) {
      const piece = await store.piece(recording.id, n);
      digests.push(piece.sha256);
      if (!there.has(n)) await sendPiece(`${path}/pieces/${n}`, piece, headers);
      onShare(n + 1, recording.pieces);
    }
    const sha256 = await store.sha256(new TextEncoder().encode(digests.join("")));
    const body = JSON.stringify({ pieces: recording.pieces, sha256 });
    const end = await ask(`${path}/finish`, { method: "POST", headers: { ...headers, "Content-Type": "application/json" }, body });
    if (end.status === 200) return end.said;
    if (!end.said.missing) throw refused(end.said);
  }
  throw new Away("The shop page lost pieces; they are sent again.");
}

async function sendPiece(path, piece, headers) {
  if ((await store.sha256(piece.bytes)) !== piece.sha256) throw new Refused(`Second ${piece.n} is damaged on this phone.`);
  for (let attempt = 0; attempt < 3; attempt++) {
    const { status, said } = await ask(path, { method: "PUT", headers: { ...headers, "X-SHA256": piece.sha256 }, body: piece.bytes });
    if ((status === 201 || status === 200) && said.sha256 === piece.sha256) return;
    if (status !== 422) throw refused(said);
  }
  throw new Refused("Pieces arrive damaged; load this page again.");
}

// Asking the server. A refusal is an error with the server's own sentence.

export class Refused extends Error {
  constructor(status, message) {
    super(message);
    this.status = status;
  }
  get changedMeanwhile() {
    return this.status === 409;
  }
  // Readings would get worse; it is done only with `insist: true`.
  get asksConsent() {
    return this.status === 428;
  }
}

async function answer(asked) {
  let response;
  try {
    response = await asked;
  } catch {
    throw new Refused(0, "The program no longer answers. Run extractor open again in a terminal.");
  }
  const content = await response.json().catch(() => ({}));
  if (!response.ok) throw new Refused(response.status, content.error ?? `Error ${response.status}`);
  return content;
}

export function get(path) {
  return answer(fetch(path, { credentials: "same-origin", cache: "no-store" }));
}

export function post(path, body = {}) {
  return answer(
    fetch(path, {
      method: "POST",
      credentials: "same-origin",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
    }),
  );
}

export function send(path, piece) {
  return answer(
    fetch(path, {
      method: "POST",
      credentials: "same-origin",
      headers: { "Content-Type": "application/octet-stream" },
      body: piece,
    }),
  );
}

// What is asked anew makes earlier answers stale, whichever arrives last:
// `const current = turn(); await …; if (!current()) return;`
export function turns() {
  let last = 0;
  return () => {
    const mine = ++last;
    return () => mine === last;
  };
}

// One after the other, in the order in which they were asked for.
let last = Promise.resolve();
let waiting = 0;
export function inTurn(work) {
  waiting += 1;
  const result = last.then(work);
  last = result.catch(() => {}).then(() => { waiting -= 1; });
  return result;
}

// What was answered a moment ago is not written yet: leaving now would lose it.
addEventListener("beforeunload", (event) => {
  if (waiting) event.preventDefault();
});

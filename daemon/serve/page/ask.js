// Sends requests to the daemon.

/** The daemon refused the request; the message is its own. */
export class Refused extends Error {}

/** The daemon did not answer. */
export class NotThere extends Error {}

const patience_ms = 20_000;

async function ask(target, options) {
  let response;
  try {
    // An address with a user and a password is no base for fetch; the browser sends them all the same.
    const url = new URL(target, location.origin);
    response = await fetch(url, { ...options, signal: AbortSignal.timeout(patience_ms) });
  } catch (error) {
    throw new NotThere(String(error));
  }
  let body;
  try {
    body = await response.json();
  } catch (error) {
    // A complete answer is JSON; one that broke off is not.
    throw new NotThere(String(error));
  }
  if (!response.ok) throw new Refused(body.detail ?? `The daemon answered with status ${response.status}.`);
  return body;
}

export const get = (target) => ask(target, { headers: { Accept: 'application/json' } });
export const remove = (target) => ask(target, { method: 'DELETE' });
export const post = (target, body) => ask(target, body === undefined ? { method: 'POST' } : {
  method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(body),
});

export const of_meter = (meter, what) => `/v1/meters/${encodeURIComponent(meter)}/${what}`;

// One clip's log entry, edited before the service has answered: what is not saved yet is known, and what
// could not be saved goes back to what stands there.

import { ask, Refused } from "./core.js";

// Keys of one burst are one edit: milliseconds since the last of them, and at most since the first.
const NEXT = 25, LONGEST = 50;

export class Entry {
  /** `changed` is called whenever what is shown may be other; `failed` with what went wrong. */
  constructor(clip, stored, tag, { changed, failed }) {
    Object.assign(this, { clip, stored, tag, changed, failed });
    this.waiting = {}; // typed, not sent
    this.sent = {}; // sent, not answered
    this.busy = false;
    this.idle = Promise.resolve(); // settles when all is saved
  }

  get(field) {
    for (const from of [this.waiting, this.sent]) if (field in from) return from[field];
    return this.stored[field] ?? null;
  }

  /** Whether this field is still on its way. */
  unsaved(field) { return field in this.waiting || field in this.sent; }

  set(values) {
    Object.assign(this.waiting, values);
    this.rested = performance.now() + NEXT;
    this.changed(this);
    if (!this.busy) this.idle = this.send();
  }

  async burst() {
    const last = performance.now() + LONGEST;
    for (let left; (left = Math.min(this.rested, last) - performance.now()) > 0;) await new Promise((soon) => setTimeout(soon, left));
  }

  async send() {
    this.busy = true;
    try {
      await this.burst();
      while (Object.keys(this.waiting).length) {
        [this.sent, this.waiting] = [this.waiting, {}];
        const { data, tag } = await ask(`/api/v1/clips/${this.clip}/log`, { method: "PATCH", body: this.sent, tag: this.tag });
        [this.stored, this.tag, this.sent] = [data, tag, {}];
      }
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      [this.sent, this.waiting] = [{}, {}];
      if (error.status === 412) await this.read(); // somebody else's version is what stands there now
      this.failed(this, error);
    } finally {
      this.busy = false;
      this.changed(this);
    }
  }

  async read() {
    try {
      const { data, tag } = await ask(`/api/v1/clips/${this.clip}/log`);
      [this.stored, this.tag] = [data, tag];
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
    }
  }
}

/** What a field that was not saved is told to a person as. */
export const sayNotSaved = (error) =>
  error.status === 412
    ? "Not saved: somebody else changed this clip meanwhile. What stands there now is shown; set it again if you still want to."
    : `Not saved, and put back as it was. ${error.message}`;

/** A text area with one name a line. */
export const linesOf = (text) => [...new Set(text.split("\n").map((line) => line.trim()).filter(Boolean))];

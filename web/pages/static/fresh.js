// What the live line does not carry is asked for again when something that it
// does carry says that it may have changed. Nothing polls.

import { get } from "./ask.js";

// fresh asks path() when the given mark differs from the last one, one request at
// a time, and gives the answer to draw; what went wrong goes to failed.
export function fresh(path, draw, failed) {
  let mark;
  let busy = false;
  let again = false;
  let timer;
  async function ask() {
    if (busy) {
      again = true;
      return;
    }
    busy = true;
    try {
      const asked = path();
      const got = await get(asked);
      if (asked === path()) draw(got);
      failed?.("");
    } catch (e) {
      failed?.(e.message);
    }
    busy = false;
    if (again) {
      again = false;
      ask();
    }
  }
  return {
    ask,
    // when asks only if mark is new; changes that come in swarms are asked for once.
    when(next) {
      if (next === mark) return;
      const first = mark === undefined;
      mark = next;
      clearTimeout(timer);
      timer = setTimeout(ask, first ? 0 : 400);
    },
  };
}

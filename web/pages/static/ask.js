// Requests to the daemon. Every refusal is a problem (RFC 9457) with words for a
// person; those are what the page shows.

export class Refused extends Error {
  constructor(problem) {
    super(problem.detail ?? "The daemon did not answer as expected.");
    this.findings = problem.findings ?? [];
    this.status = problem.status;
    this.kind = problem.kind;
  }
}

async function send(method, path, body, confirm, kind = "application/json") {
  let resp;
  try {
    const headers = body === undefined ? {} : { "Content-Type": kind };
    if (confirm !== undefined) headers["Undercroft-Confirm"] = encodeURIComponent(confirm);
    resp = await fetch(path, { method, headers, body });
  } catch {
    throw new Refused({ detail: "The daemon does not answer. Nothing was changed, as far as this page knows." });
  }
  const text = await resp.text();
  let answer;
  try {
    answer = text === "" ? undefined : JSON.parse(text);
  } catch {
    answer = undefined;
  }
  if (resp.status === 401) location.assign("/door/in");
  if (!resp.ok) throw new Refused(answer ?? { status: resp.status });
  return answer;
}

export const get = (path) => send("GET", path);

// post asks a person to confirm what heats or moves a machine when the daemon,
// seeing that they are not beside it, wants that.
let confirming = null;
export const whenConfirmed = (f) => (confirming = f);

export async function post(path, what) {
  const body = what === undefined ? undefined : JSON.stringify(what);
  try {
    return await send("POST", path, body);
  } catch (e) {
    const machine = path.match(/^\/api\/printers\/([^/]+)\//);
    if (e.kind !== "wants-confirmation" || !machine || !confirming) throw e;
    const name = decodeURIComponent(machine[1]);
    if (!(await confirming(name, e.message))) throw new Refused({ detail: "Not confirmed; nothing was changed." });
    return send("POST", path, body, name);
  }
}

// postText sends what is no JSON: a file that a person chose.
export const postText = (path, kind, body) => send("POST", path, body, undefined, kind);

export const printerPath = (name, verb) => "/api/printers/" + encodeURIComponent(name) + "/" + verb;
export const jobPath = (id, verb) => "/api/jobs/" + id + "/" + verb;

// doing runs a request for a button or form: it is marked busy meanwhile, and
// what went wrong is written into the element wrong.
export async function doing(control, wrong, request) {
  if (control.getAttribute("aria-busy") === "true") return false;
  control.setAttribute("aria-busy", "true");
  wrong.textContent = "";
  wrong.hidden = true;
  try {
    await request();
    return true;
  } catch (e) {
    wrong.textContent = e.message;
    wrong.hidden = false;
    return false;
  } finally {
    control.removeAttribute("aria-busy");
  }
}

// send a file with word of how far it is; fetch does not tell.
export function upload(file, query, progress, path = "/api/files") {
  return new Promise((resolve, reject) => {
    const x = new XMLHttpRequest();
    x.open("POST", path + "?" + query);
    x.setRequestHeader("Content-Type", "text/x-gcode");
    x.upload.onprogress = (e) => progress(e.lengthComputable ? e.loaded / e.total : 0);
    x.onerror = () => reject(new Refused({ detail: "The daemon does not answer; the file was not added." }));
    x.onload = () => {
      let answer;
      try {
        answer = JSON.parse(x.responseText);
      } catch {
        answer = { status: x.status };
      }
      if (x.status >= 200 && x.status < 300) resolve(answer);
      else reject(new Refused(answer));
    };
    x.send(file);
  });
}

// Requests to the daemon. Every refusal is a problem (RFC 9457) with words for a
// person; those are what the page shows.

export class Refused extends Error {
  constructor(problem) {
    super(problem.detail ?? "The daemon did not answer as expected.");
    this.findings = problem.findings ?? [];
    this.status = problem.status;
  }
}

async function send(method, path, body) {
  let resp;
  try {
    resp = await fetch(path, {
      method,
      headers: body === undefined ? {} : { "Content-Type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
    });
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
export const post = (path, body) => send("POST", path, body);

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
export function upload(file, query, progress) {
  return new Promise((resolve, reject) => {
    const x = new XMLHttpRequest();
    x.open("POST", "/api/files?" + query);
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

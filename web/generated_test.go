package web_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// The document is judged by a general tool, and a client that a general tool
// makes of it lists printers and adds a job. Both come from npm and are not
// fetched by a test: UNDERCROFT_OPENAPI names a folder with @redocly/cli and
// @hey-api/openapi-ts in its node_modules; without it the test is skipped.
func TestOpenAPIWithGeneralTools(t *testing.T) {
	tools := os.Getenv("UNDERCROFT_OPENAPI")
	if tools == "" {
		t.Skip("UNDERCROFT_OPENAPI names no folder with the tools")
	}
	house, ts := cellar(t, nil)
	_, doc := ask(t, "GET", ts.URL+"/openapi.json", "")
	// The tools find their modules from where the files lie.
	dir, err := os.MkdirTemp(tools, "client-")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	run := func(name string, args ...string) {
		t.Helper()
		cmd := exec.Command(name, args...)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "REDOCLY_TELEMETRY=off", "REDOCLY_SUPPRESS_UPDATE_NOTICE=true", "HOUSE="+ts.URL)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s %v: %v\n%s", name, args, err, out)
		}
	}
	bin := func(name string) string { return filepath.Join(tools, "node_modules", ".bin", name) }
	spec := write("openapi.json", doc)
	write("redocly.yaml", "rules:\n  struct: error\n  spec: error\n  no-unresolved-refs: error\n  operation-operationId-unique: error\n  path-parameters-defined: error\n")
	run(bin("redocly"), "lint", "--extends=spec", spec)
	run(bin("openapi-ts"), "-i", spec, "-o", filepath.Join(dir, "client"))
	use := write("use.ts", `import { printers, add, jobs } from "./client/index.ts";
import { client } from "./client/client.gen.ts";
client.setConfig({ baseUrl: process.env.HOUSE });
const fleet = await printers();
if (fleet.error || fleet.data.length !== 5 || fleet.data[0].name !== "Bittern") throw new Error("printers: " + JSON.stringify(fleet.error));
const added = await add({ body: new Blob(["G28\n"]), query: { file_name: "rib.gcode", count: 2 } });
if (added.error || added.data.job_ids.length !== 2) throw new Error("add: " + JSON.stringify(added.error));
const list = await jobs();
if (!list.data.some((j) => j.id === added.data.job_ids[0])) throw new Error("the job is not there");
`)
	run(bin("esbuild"), use, "--bundle", "--platform=node", "--format=esm", "--outfile="+filepath.Join(dir, "use.mjs"))
	run("node", filepath.Join(dir, "use.mjs"))
	if len(house.Calls()) == 0 {
		t.Error("nothing was added")
	}
}

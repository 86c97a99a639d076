package main

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/url"
	"time"
)

// piece is one generated file: a square tower whose first and last commands
// name it, so that a trace says what was begun and what was ended.
type piece struct {
	text     []byte
	commands []string // in order, the host's own questions are not among them
	layerEnd []int    // commands up to each layer's end
	layerMM  []float64
	totalMM  float64
}

func newPiece(name string, r *rand.Rand) *piece {
	p := &piece{}
	put := func(format string, args ...any) {
		c := fmt.Sprintf(format, args...)
		p.commands = append(p.commands, c)
		p.text = append(append(p.text, c...), '\n')
	}
	put("M117 begin %s", name)
	put("G28")
	put("M104 S190")
	put("M109 S190")
	put("G90")
	put("M83")
	layers, side := 8+r.IntN(40), 20+r.IntN(60)
	for l := range layers {
		put("G1 Z%.1f F600", 0.2*float64(l+1))
		for range 1 + r.IntN(3) {
			for _, at := range [][2]int{{100 + side, 100}, {100 + side, 100 + side}, {100, 100 + side}, {100, 100}} {
				put("G1 X%d Y%d E%.3f F3000", at[0], at[1], 0.033*float64(side))
				p.totalMM += mm3(0.033 * float64(side))
			}
		}
		p.layerEnd, p.layerMM = append(p.layerEnd, len(p.commands)), append(p.layerMM, p.totalMM)
	}
	put("M104 S0")
	put("M117 end %s", name)
	return p
}

// mm3 is a length as the file writes it, with three places.
func mm3(v float64) float64 {
	var out float64
	_, _ = fmt.Sscanf(fmt.Sprintf("%.3f", v), "%f", &out)
	return out
}

// seenView is what the person looks at.
type seenView struct {
	Printers []struct {
		Name  string `json:"name"`
		Phase string `json:"phase"`
		Plate struct {
			Question string `json:"question"`
			JobID    int64  `json:"job_id"`
		} `json:"plate"`
		Run *struct {
			Eyes string `json:"eyes"`
		} `json:"run"`
	} `json:"printers"`
	Jobs []struct {
		ID    int64  `json:"id"`
		State string `json:"state"`
	} `json:"jobs"`
}

// person answers everything that is asked until the daemon dies.
func (k *killing) person(n int, quit <-chan struct{}) {
	r := rand.New(rand.NewPCG(k.seed, uint64(n)))
	for {
		select {
		case <-quit:
			return
		case <-time.After(20 * time.Millisecond):
		}
		code, text, err := k.call("GET", "/api/view", nil)
		var v seenView
		if err != nil || code != 200 || json.Unmarshal(text, &v) != nil {
			continue
		}
		states := map[int64]string{}
		wants := 0
		for _, j := range v.Jobs {
			states[j.ID] = j.State
			if j.State == "queued" {
				wants++
			}
			if j.State == "needs-decision" {
				again := r.IntN(4) > 0
				if k.done("POST", fmt.Sprintf("/api/jobs/%d/decide", j.ID), map[string]bool{"again": again}) && !again {
					k.remember(j.ID, "cancelled")
				}
			}
		}
		for _, p := range v.Printers {
			at := "/api/printers/" + p.Name
			switch {
			case p.Phase == "faulted" || p.Phase == "lent":
				k.done("POST", at+"/take-back", nil)
			case p.Run != nil && p.Run.Eyes == "asked" && r.IntN(2) == 0:
				k.done("POST", at+"/eyes", map[string]bool{"good": true})
			case p.Plate.Question != "":
				answer := map[string]any{"empty": true, "seated": true}
				yields := states[p.Plate.JobID] == "awaits-yield"
				good := !yields || r.IntN(10) > 0
				if yields && !good {
					answer["good"] = 0
				}
				if k.done("POST", at+"/cleared", answer) && yields && good {
					k.remember(p.Plate.JobID, "done")
				}
			}
		}
		for range len(k.printers) - wants {
			k.add(r)
		}
	}
}

// done says whether the daemon has acknowledged a change.
func (k *killing) done(method, path string, body any) bool {
	code, _, err := k.call(method, path, body)
	return err == nil && code/100 == 2
}

func (k *killing) remember(job int64, state string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.said[job] = state
}

// add queues one more piece.
func (k *killing) add(r *rand.Rand) {
	k.mu.Lock()
	k.next++
	name := fmt.Sprintf("feather-%d", k.next)
	p := newPiece(name, r)
	k.files[name] = p
	k.mu.Unlock()
	q := url.Values{"file_name": {name + ".gcode"}, "part": {name}, "material": {"PLA"}, "nozzle_mm": {"0.4"}, "kind": {"tall"}}
	code, text, err := k.call("POST", "/api/files?"+q.Encode(), p.text)
	if err != nil || code != 200 && code != 201 {
		if err == nil && code != 503 {
			fmt.Fprintf(k.report, "a file was not taken: %d %s\n", code, text)
		}
		return
	}
	var added struct {
		JobIDs []int64 `json:"job_ids"`
	}
	if json.Unmarshal(text, &added) == nil {
		k.mu.Lock()
		for _, id := range added.JobIDs {
			k.added[id] = name
		}
		k.mu.Unlock()
	}
}

package watch

import (
	"strconv"
	"strings"
)

// Prompt follows the questions that a firmware puts to a person, so that each
// can be answered once, and in the way that it takes: one sort waits for M108,
// another for the number of a button.
type Prompt struct {
	Title    string
	Buttons  []string
	open     bool
	by108    bool // M108 was named just before it was shown
	named108 bool
	answered bool
}

// Hear takes a line from the firmware.
func (p *Prompt) Hear(line string) {
	s := strings.TrimSpace(line)
	if echo, ok := strings.CutPrefix(s, "echo:"); ok {
		if strings.Contains(strings.ToUpper(echo), "SEND M108") {
			p.named108 = true
		}
		return
	}
	rest, ok := strings.CutPrefix(s, "//")
	if !ok {
		return
	}
	if rest, ok = strings.CutPrefix(strings.TrimSpace(rest), "action:"); !ok {
		return
	}
	verb, what, _ := strings.Cut(strings.TrimSpace(rest), " ")
	what = strings.TrimSpace(what)
	switch verb {
	case "prompt_begin":
		*p = Prompt{Title: clip(what), named108: p.named108}
	case "prompt_button", "prompt_choice":
		if len(p.Buttons) < 10 {
			p.Buttons = append(p.Buttons, clip(what))
		}
	case "prompt_show":
		p.open, p.answered = true, false
		p.by108, p.named108 = p.named108, false
	case "prompt_end":
		p.open = false
	}
}

// Answer returns the command that says 'go on' to the question that is open,
// and whether there is one that was not answered yet.
func (p *Prompt) Answer() (cmd string, fresh bool) {
	if !p.open {
		return "", false
	}
	cmd = "M108"
	if !p.by108 {
		i := p.goOn()
		if i < 0 {
			return "", false
		}
		cmd = "M876 S" + strconv.Itoa(i)
	}
	return cmd, !p.answered
}

// Answered notes that the answer was sent.
func (p *Prompt) Answered() { p.answered = true }

// Question is what is asked, empty when nothing is.
func (p *Prompt) Question() string {
	if !p.open {
		return ""
	}
	return p.Title
}

// Choices are the buttons of the question, nil when none is open.
func (p *Prompt) Choices() []string {
	if !p.open {
		return nil
	}
	return append([]string(nil), p.Buttons...)
}

// Words is the question as a person reads it, empty when none is open.
func (p *Prompt) Words() string {
	if !p.open || p.Title == "" {
		return ""
	}
	if len(p.Buttons) == 0 {
		return p.Title
	}
	return p.Title + " (" + strings.Join(p.Buttons, ", ") + ")"
}

// goOn is the button that continues, -1 when none does.
func (p *Prompt) goOn() int {
	for i, b := range p.Buttons {
		if strings.Contains(strings.ToLower(b), "continue") {
			return i
		}
	}
	return -1
}

func clip(s string) string {
	if len(s) > 80 {
		return s[:80]
	}
	return s
}

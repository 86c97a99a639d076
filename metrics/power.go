package metrics

import "github.com/prometheus/client_golang/prometheus"

// Circuit is the arithmetic of one circuit: estimates for planning, never a
// statement that it is safe.
type Circuit struct {
	Name      string
	LimitW    float64
	LeasedW   float64
	StandingW float64
}

type power struct {
	limit, leased, standing *prometheus.Desc
}

func newPower() *power {
	return &power{
		limit:    desc("circuit_limit_watts", "What may be leased on a circuit, by its owner's settings; an estimate for planning.", "circuit"),
		leased:   desc("circuit_leased_watts", "What is leased to printers on a circuit; an estimate for planning.", "circuit"),
		standing: desc("circuit_standing_watts", "What else is always on a circuit, as its owner declared.", "circuit"),
	}
}

func (p *power) describe(ch chan<- *prometheus.Desc) {
	ch <- p.limit
	ch <- p.leased
	ch <- p.standing
}

func (p *power) collect(s Sample, out emit) {
	for _, c := range s.Circuits {
		out.gauge(p.limit, c.LimitW, c.Name)
		out.gauge(p.leased, c.LeasedW, c.Name)
		out.gauge(p.standing, c.StandingW, c.Name)
	}
}

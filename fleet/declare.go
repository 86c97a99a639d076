package fleet

// Declare changes what a printer is declared as: all but its name, its kind and
// what its link is made of (path, rate, window), which stay. It holds from the
// next run on, or earlier if the printer has none; a running print keeps what it
// began with.
func (p *Printer) Declare(s Spec) { p.declared.Store(&s) }

// adopt takes in what was declared meanwhile, unless a run is on.
func (l *loop) adopt() {
	if l.run != nil {
		return
	}
	next := l.p.declared.Swap(nil)
	if next == nil {
		return
	}
	s := *next
	s.Name, s.Kind, s.Path, s.Baud, s.WindowBytes, s.Lent = l.spec.Name, l.spec.Kind, l.spec.Path, l.spec.Baud, l.spec.WindowBytes, l.spec.Lent
	l.spec = &s
	if l.watch != nil {
		l.watch.Declare(s.StallAfter, s.MaxNozzleC, s.MaxBedC)
	}
	l.log.Info("declared anew by the owner")
}

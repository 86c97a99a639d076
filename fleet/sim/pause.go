package sim

func (b *board) waitForUser(w *words)       {}
func (b *board) changeFilament(runout bool) {}

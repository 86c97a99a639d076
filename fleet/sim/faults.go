package sim

// Faults are what goes wrong, as data; with a seed they go wrong in the same
// way again.
type Faults struct{}

func (f *Faults) check() error { return nil }

// FaultCount says what the injector did.
type FaultCount struct{}

func (b *board) faultCount() FaultCount { return FaultCount{} }

// ParseFaults reads the form that FaultsHelp describes.
func ParseFaults(spec string) (Faults, error) { return Faults{}, nil }

// FaultsHelp documents that form.
const FaultsHelp = "Faults"

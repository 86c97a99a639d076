package motion

// Default are the limits of an ordinary desktop printer, used where neither a
// configuration nor the firmware says otherwise. Common practice, no source.
func Default() Limits {
	return Limits{
		MaxFeedMMs:          [4]float64{300, 300, 5, 25},
		MaxAccelMMs2:        [4]float64{3000, 3000, 100, 10000},
		AccelPrintMMs2:      3000,
		AccelRetractMMs2:    3000,
		AccelTravelMMs2:     3000,
		JunctionDeviationMM: 0.013,
		JerkMMs:             [4]float64{10, 10, 0.3, 5},
		MinSegmentMS:        20,
		StepsPerMM:          [4]float64{80, 80, 400, 500},
	}
}

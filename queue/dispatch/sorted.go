package dispatch

import (
	"maps"
	"slices"

	"undercroft/queue"
)

func sortedIDs(jobs map[int64]*queue.Job) []int64 { return slices.Sorted(maps.Keys(jobs)) }

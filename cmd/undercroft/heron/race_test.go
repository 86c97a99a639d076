//go:build race

package heron

const underRace = true

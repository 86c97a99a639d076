package config

import _ "embed"

//go:embed example.toml
var example string

// Example is a configuration with every key and a word on each, to start from.
func Example() string { return example }

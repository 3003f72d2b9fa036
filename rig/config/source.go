package config

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path"
	"slices"
	"strings"

	"drench/rig/mistake"
)

// stock holds the rig and the DUTs that come with the tool.
//
//go:embed stock
var stock embed.FS

// Source is a file as it was read, for a run's provenance.
type Source struct {
	Name   string // path, or stock/… for what comes with the tool
	Text   []byte
	SHA256 string // of Text, in hexadecimal
}

func newSource(name string, text []byte) Source {
	sum := sha256.Sum256(text)
	return Source{name, text, hex.EncodeToString(sum[:])}
}

// readFile reads no more than Decode takes.
func readFile(name string) (Source, error) {
	f, err := os.Open(name)
	if err != nil {
		return Source{}, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, maxSize+1))
	if err != nil {
		return Source{}, err
	}
	return newSource(name, text), nil
}

// NewSource is a text that is not in a file.
func NewSource(name, text string) Source { return newSource(name, []byte(text)) }

func readStock(name string) (Source, error) {
	text, err := stock.ReadFile(name)
	if err != nil {
		return Source{}, err
	}
	return newSource(name, text), nil
}

const stockDUTs = "stock/duts"

// StockProfiles lists the DUT profiles that come with the tool.
func StockProfiles() []string {
	files, err := stock.ReadDir(stockDUTs)
	if err != nil {
		return nil
	}
	var names []string
	for _, f := range files {
		names = append(names, strings.TrimSuffix(f.Name(), ".yaml"))
	}
	slices.Sort(names)
	return names
}

// StockProfile finds one of the profiles that come with the tool.
func StockProfile(name string) (Source, error) {
	if !slices.Contains(StockProfiles(), name) {
		return Source{}, fmt.Errorf("there is no stock DUT %s; expected one of %s, or a path to a profile that ends in .yaml",
			mistake.Quote(name), strings.Join(StockProfiles(), ", "))
	}
	return readStock(path.Join(stockDUTs, name+".yaml"))
}

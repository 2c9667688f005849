package main

import (
	"os"
	"time"
)

func main() { os.Exit(newApp(time.Now).main(os.Args[1:])) }

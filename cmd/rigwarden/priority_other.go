//go:build !unix

package main

func lowerPriority(int) {}

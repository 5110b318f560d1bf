"""One command a module. Only light imports at the top: `reboundry --help` reads them all."""

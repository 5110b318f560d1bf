"""The report's looks: readable on paper and on a telephone, colours for all eyes, with signs besides."""

STYLE = """
:root { color-scheme: light; }
body { margin: 0; background: #f4f5f3; color: #16201c; font: 16px/1.5 system-ui, sans-serif; }
main { max-width: 64rem; margin: 0 auto; padding: 1.2rem; }
h1 { margin: .2rem 0; font-size: 1.7rem; }
h2 { margin: 2rem 0 .5rem; font-size: 1.2rem; }
.quiet { color: #55605b; }
.tiles { display: flex; flex-wrap: wrap; gap: .6rem; margin: 1rem 0; }
.tiles div { background: #fff; border: 1px solid #c9d0cc; border-radius: .5rem; padding: .5rem .9rem; }
.tiles b { display: block; font-size: 1.5rem; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; background: #fff; font-size: .92rem; }
th, td { border: 1px solid #c9d0cc; padding: .25rem .6rem; text-align: left; vertical-align: top; white-space: nowrap; }
td:last-child { white-space: normal; }
.setup th { white-space: normal; } .setup td:last-child { min-width: 16rem; }
th { background: #e7ece9; }
td { font-variant-numeric: tabular-nums; }
.shot { border-top: 2px solid #16201c; margin-top: 2rem; }
.shot img { width: 100%; height: auto; border: 1px solid #c9d0cc; border-radius: .4rem; background: #fff; }
.tag { font-size: .85rem; font-weight: 600; border: 2px solid; border-radius: 1rem; padding: 0 .6rem; }
.clean { color: #00694e; } .mishit { color: #b04400; } .unusable { color: #5b5f66; }
dt { font-weight: 600; } dd { margin: 0 0 .5rem 1rem; }
li { overflow-wrap: anywhere; }
@media print { body { background: #fff; } .shot { break-inside: avoid; } main { max-width: none; padding: 0; } }
"""

"""What cold storage does to wood: degree-hours, drying, warm spells, and what follows from them.

Plain data in, frozen dataclasses out; usable without a registry. `curve` integrates readings,
`spells` finds warm spells and whom they touched, `exposure` adds up what wood went through,
`judging` says what that asks for, `report` puts it together.
"""

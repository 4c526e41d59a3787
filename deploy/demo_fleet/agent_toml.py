"""Writes an agent's configuration: one rehearsal source that plays the site's scenario. Paths in it are relative to its
own folder."""


def agent_toml(site, uplink):
    machines = [m for m in site.machines if m.ends_at > m.observed_from]
    keys = ", ".join(f'"{m.key}"' for m in machines)
    lines = ["[agent]", f'name = "{site.agent}"', f'data_dir = "../agent-data/{site.key}"', "",
             "[uplink]", f'server = "{uplink}"', "",
             "[[source]]", 'name = "rehearsal"', 'kind = "rehearsal"', f'path = "../scenarios/{site.key}.jsonl"',
             f"machines = [{keys}]", ""]
    return "\n".join(lines)

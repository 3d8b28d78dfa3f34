"""The ledger once more, as plainly as it can be written: one patient, one day, one lot.

It shares no code with the audit and knows nothing of segments, ranks or columns.
"""

from __future__ import annotations

from collections import defaultdict

FOREVER = 10**7
PUMPS = ("continuous", "cyclic", "intermittent")


def sevenhundredths(amount_per_feeding_day, days_per_week):
    return round(amount_per_feeding_day * days_per_week * 100)


def syringe_of(age):
    """Size of syringe that the policy counts for a person; of an age that is not known, any."""
    if age is None:
        return "syringe"
    return "syringe:large" if age >= 1 else "syringe:medium"


def needs_on(day, parts, later_only):
    """Need of one day by class, as units per 700 days."""
    return {name: use + waste for name, (use, waste) in uses_on(day, parts, later_only).items()}


def uses_on(day, parts, later_only):
    """What is used and what is discarded of each class, as units per 700 days."""
    in_force = [p for p in parts if p["from"] <= day <= (FOREVER if p["to"] is None else p["to"])]
    if not in_force:
        return {}
    if later_only:
        last = max((p["from"], p["order"]) for p in in_force)[1]
        in_force = [p for p in in_force if p["order"] == last]
    use, need, tins = defaultdict(int), defaultdict(int), {}
    for part in in_force:
        name, amount = part["class"], part["amount"]
        opened = max(amount, part["opened"] or 0)
        use[name] += sevenhundredths(amount, part["days_per_week"])
        need[name] += sevenhundredths(opened, part["days_per_week"])
        if part["tin"]:
            # A tin of so many units that may stay open so many days.
            tins[name] = round(700 * part["tin"][0] / part["tin"][1])
    for name, least in tins.items():
        need[name] = max(need[name], least)
    syringe = syringe_of(in_force[0]["age"])
    for name, methods in (("bag_set", PUMPS), ("gravity_set", ("gravity",)), (syringe, None)):
        weeks = [p["days_per_week"] for p in in_force if methods is None or p["method"] in methods]
        if weeks:
            use[name] = need[name] = sevenhundredths(1, max(weeks))
    return {name: (use[name], need[name] - use[name]) for name in need}


def take(lots, wanted):
    """Take units from the lots, first expiring first; what could not be taken is returned."""
    for expires in sorted(lots):
        taken = min(lots[expires], wanted)
        lots[expires] -= taken
        wanted -= taken
    return wanted


def ledger_of(patient, setting):
    """Figures of the period for each class of a patient, for both bounds."""
    return {bound: walk(patient, setting, bound) for bound in ("least", "most")}


def walk(patient, setting, bound):
    parts, lines, counts = patient["parts"], patient["lines"], patient["counts"]
    begin, end, setup = setting["period_start"], setting["period_end"], setting["setup_days"]
    parts = [p for p in parts if p["to"] is None or p["to"] >= p["from"]]
    lines = [x for x in lines if x["day"] <= end]
    if not parts or min(p["from"] for p in parts) > end:
        return {}
    first_order = min(p["from"] for p in parts)
    at = max(first_order, setting["log_first"])
    first_need = {}
    for part in sorted(parts, key=lambda p: p["from"]):
        for name in needs_on(part["from"], [part], False):
            first_need.setdefault(name, part["from"])
    classes = {n for n, day in first_need.items() if day <= end}
    for target in sorted(classes):
        for source in setting["stands_in"].get(target, ()):
            if any(x["class"] == source for x in lines) or any(c[0] == source for c in counts):
                classes = classes | {source}
    stock, start, found = {}, {}, {}
    for name in sorted(classes):
        usable = [c for c in counts if c[0] == name and setting["log_first"] - setup <= c[1] <= end]
        before = [c[1] for c in usable if c[1] <= at]
        start[name] = max(before) if before else at
        opening = 0
        first = first_need.get(name)
        early = first is not None and first <= setting["log_first"] + setup
        supplied = any(
            x["class"] == name and x["units"] > 0 and x["day"] < at - setup for x in lines
        )
        if not before and (early or supplied):
            opens = [
                p for p in parts
                if name in needs_on(p["from"], [p], False)
                and (p["to"] is None or p["to"] >= start[name])
            ]  # fmt: skip
            if opens and bound == "most":
                day = max(start[name], min(p["from"] for p in opens))
                opening = needs_on(day, parts, False)[name] * setting["opening_days"] // 700
        stock[name] = {FOREVER: opening}
        found[name] = defaultdict(int, start=start[name], counted=bool(before))
    if not classes:
        return found
    for day in range(min(start.values()), end + 1):
        away = any(a <= day <= (FOREVER if b is None else b) for a, b in patient["absences"])
        uses = {} if away else uses_on(day, parts, bound == "most")
        rates = {name: use + waste for name, (use, waste) in uses.items()}
        inside = day >= begin
        lacking, discards = {}, {}
        for name in sorted(classes):
            if day < start[name]:
                continue
            this, lots = found[name], stock[name]
            held = sum(lots.values())
            today = [c[2] for c in counts if c[0] == name and c[1] == day]
            if inside and "opening" not in this:
                this["opening"] = sum(today) if today else held
            elif today and day > start[name] and inside:
                this["adjusted"] += sum(today) - held
            if today:
                lots.clear()
                lots[FOREVER] = sum(today)
            early = day == start[name] and not this["counted"]
            for line in lines:
                moved = line["day"]
                if early and day - setup <= moved < day:
                    moved = day
                if line["class"] != name or moved != day or line["units"] < 0:
                    continue
                lots[line["expires"]] = lots.get(line["expires"], 0) + line["units"]
                this["received"] += inside * line["units"]
            for expires in list(lots):
                if expires < day:
                    this["expired"] += inside * lots.pop(expires)
            back = 0
            for line in lines:
                moved = line["day"]
                if early and day - setup <= moved < day:
                    moved = day
                if line["class"] == name and moved == day and line["units"] < 0:
                    back -= line["units"]
            this["returned"] += inside * back
            this["above"] += inside * take(lots, back)
            rate = rates.get(name, 0)
            need = (day + 1) * rate // 700 - day * rate // 700
            this["needed"] += inside * need
            lacking[name] = take(lots, need)
            # What there is is fed first, and what is beyond the feed discarded.
            waste = uses.get(name, (0, 0))[1]
            to_discard = (day + 1) * waste // 700 - day * waste // 700
            fed = min(need - lacking[name], need - to_discard)
            discards[name] = to_discard
            this["used"] += inside * fed
            this["wasted"] += inside * (need - lacking[name] - fed)
            this["waste"] += inside * to_discard
        for name in sorted(lacking):
            for source in setting["stands_in"].get(name, ()):
                if source in lacking and lacking[name]:
                    left = take(stock[source], lacking[name])
                    drawn = lacking[name] - left
                    found[name]["substituted"] += inside * drawn
                    found[source]["given"] += inside * drawn
                    found[source]["used"] += inside * drawn
                    lacking[name] = left
            if inside and lacking[name]:
                found[name]["short"] += lacking[name]
                # What is lacking is first of all lacking to be discarded.
                found[name]["short_waste"] += min(lacking[name], discards[name])
                found[name]["short_days"] += 1
                found[name].setdefault("first_short", day)
    for name in classes:
        found[name]["on_hand"] = sum(stock[name].values())
        found[name]["lots"] = {e: n for e, n in stock[name].items() if n}
        cover(
            found[name],
            stock[name],
            needs_on(end, parts, bound == "most").get(name, 0),
            patient,
            end,
        )
    return found


def cover(figures, lots, rate, patient, end):
    """How long the stock lasts at the need of the last day, and what expires meanwhile."""
    figures["rate"] = rate
    if not rate:
        return
    back = [b for a, b in patient["absences"] if a <= end + 1 <= (FOREVER if b is None else b)]
    day = end + 1
    known = [FOREVER if b is None else b for b in back]
    if known and max(known) < FOREVER:
        day = max(known) + 1
    lots, begin, wasted = dict(lots), day, 0
    while True:
        for expires in list(lots):
            if expires < day:
                wasted += lots.pop(expires)
        need = (day + 1) * rate // 700 - day * rate // 700
        if take(lots, need):
            break
        day += 1
    figures["cover"], figures["expiring"] = day - begin, wasted

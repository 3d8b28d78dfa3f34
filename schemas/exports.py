"""The tables that are read: one model per table, each column declared once."""

from __future__ import annotations

from schemas.columns import (
    Count,
    Date,
    Number,
    Table,
    Text,
    clock_time,
    code,
    date,
    declare,
    number,
    text,
    yes_no,
)


class Sourced(Table):
    """Provenance: where each row was read."""

    source_file: Text = text("File the row was read from")
    source_sheet: Text = text("Sheet of that file; blank for text files")
    source_row: Count = declare("Row of that sheet, counted from 1", (), kind="count")


PATIENT_SPELLINGS = (
    "patient id", "patient", "pt id", "pt no", "pt number", "mrn", "medical record number",
    "patient number", "patient no", "client id",
)  # fmt: skip
SEXES = {
    "female": ("f", "woman", "girl", "fem"),
    "male": ("m", "man", "boy"),
}
ACCESS_ROUTES = {
    "nasogastric": ("ng", "ngt", "ng tube", "nasogastric tube", "orogastric", "og"),
    "nasoduodenal": ("nd", "ndt", "nasoduodenal tube"),
    "nasojejunal": ("nj", "njt", "nj tube", "nasojejunal tube"),
    "gastrostomy": ("g", "gt", "g-tube", "g tube", "peg", "gastrostomy tube", "gastric"),
    "jejunostomy": ("j", "jt", "j-tube", "j tube", "pej", "jejunostomy tube", "jejunal"),
    "gastrojejunal": ("gj", "g-j", "gj tube", "gj-tube", "peg-j", "gastrojejunostomy"),
}
METHODS = {
    "continuous": ("cont", "continuous pump", "24 h pump", "pump continuous"),
    "cyclic": ("cyclical", "nocturnal", "overnight", "cyclic pump", "pump cyclic"),
    "intermittent": ("intermittent pump", "pump bolus", "pump intermittent", "timed pump feeds"),
    "gravity": ("gravity drip", "gravity bag", "drip"),
    "syringe": ("bolus", "syringe bolus", "push", "syringe push"),
}
FLUSH_TIMINGS = {
    "interval": ("every", "by interval", "scheduled", "timed interval"),
    "before_and_after_feeds": (
        "before and after feeds", "before/after feeds", "pre and post feed", "pre/post feeds",
        "before and after each feed", "with feeds", "ac/pc",
    ),
    "with_medicines": ("with medicines", "with meds", "with medications", "medication flush"),
}  # fmt: skip
FLUID_BASES = {
    "volume": ("total volume", "all fluid", "total fluids"),
    "free_water": ("free water", "water", "water only"),
}
ORAL_INTAKES = {
    "none": ("nil", "npo", "nil by mouth", "nothing by mouth", "no"),
    "partial": ("some", "tastes", "part", "supplement", "yes"),
    "full": ("all", "normal diet", "full diet"),
    "unknown": ("not known", "unclear"),
}
MOBILITIES = {
    "walks": ("walks unaided", "ambulant", "ambulatory", "mobile"),
    "walks_with_help": ("walks with help", "walks with aid", "ambulant with aid", "assisted"),
    "does_not_walk": ("does not walk", "non-ambulant", "non ambulatory", "wheelchair", "immobile"),
}


class Orders(Sourced):
    """Discharge orders: one row per order part; rows sharing `order_id` add up."""

    patient_id: Text = text(
        "Patient's identifier in the programme", *PATIENT_SPELLINGS,
        "record number", identifier=True, essential=True,
    )  # fmt: skip
    order_id: Text = text(
        "Order's identifier; parts of one order share it", "order id", "order", "order number",
        "order no", "order #", "discharge order", "prescription number", "rx number",
        identifier=True, essential=True,
    )  # fmt: skip
    patient_name: Text = text("Patient's name", "name", "patient name", "pt name", "full name")
    birth_date: Date = date(
        "Date of birth", "dob", "date of birth", "birth date", "birthdate", "born"
    )
    sex: Text = code("Sex used in the requirement equations", "gender", "sex m/f", values=SEXES)
    height_cm: Number = number(
        "Height or length", "height", "ht", "height cm", "ht cm", "length", "length cm", "stature",
        unit="cm", low=25, high=250,
    )  # fmt: skip
    weight_kg: Number = number(
        "Body weight the order was written for", "weight", "wt", "weight kg", "wt kg", "wt (kg)",
        "body weight", "dosing weight", unit="kg", low=0.3, high=400,
    )  # fmt: skip
    weight_date: Date = date(
        "Day that weight was measured", "weight date", "date weighed", "wt date", "weighed on"
    )
    prescribed_on: Date = date(
        "Day the order was written", "ordered", "order date", "date ordered", "date written",
        "prescribed", "prescribed date", "rx date", "written on",
    )  # fmt: skip
    start_date: Date = date(
        "First day in force", "start", "start date", "starts", "effective date", "begin date",
        "start of order", "from", "discharge date", essential=True,
    )  # fmt: skip
    stop_date: Date = date(
        "Last day in force; blank means open-ended", "stop", "stop date", "end date", "ends",
        "end", "until", "to", "expires", "discontinued", blank_means="open-ended",
    )  # fmt: skip
    access_route: Text = code(
        "Feeding tube's route", "access", "route", "tube", "tube type", "access route",
        "access device", "feeding access", "feeding tube", values=ACCESS_ROUTES,
    )  # fmt: skip
    formula_code: Text = text(
        "Item code of the formula in the catalogue", "formula", "formula code", "product",
        "product code", "feed", "formula item", "feed code", "feed product", identifier=True,
    )  # fmt: skip
    method: Text = code(
        "How the feed is given", "feeding method", "delivery method", "administration",
        "administration method", "mode", "regimen type", "feed type", values=METHODS,
    )  # fmt: skip
    rate_ml_per_h: Number = number(
        "Pump rate", "rate", "rate ml/hr", "rate ml/h", "rate (ml/hr)", "pump rate",
        "infusion rate", "ml/hr", "ml per hour", "goal rate", unit="mL/h", low=0, high=2000,
    )  # fmt: skip
    hours_per_day: Number = number(
        "Hours of pump feeding in a feeding day", "hours", "hrs", "hours/day", "hrs/day",
        "hours per day", "duration", "run time", "run hours", "duration h", "infuse over",
        unit="h/d", low=0, high=24,
    )  # fmt: skip
    hold_h_per_day: Number = number(
        "Hours of a day that the feed is held, as around a medicine; blank means none is planned",
        "hold hours", "hours held", "feed held h", "held hours/day", "planned hold", "hold h/day",
        unit="h/d", low=0, high=23, blank_means="no planned hold",
    )  # fmt: skip
    start_time: Number = clock_time(
        "Time of day the feed starts", "start time", "time start", "feed start", "on at",
        "time on", "pump on",
    )  # fmt: skip
    end_time: Number = clock_time(
        "Time of day the feed ends", "end time", "stop time", "time end", "off at", "time off",
        "pump off",
    )  # fmt: skip
    feeds_per_day: Number = number(
        "Feeds in a feeding day", "feeds/day", "feeds", "no of feeds", "number of feeds",
        "boluses/day", "bolus per day", "feed frequency", "frequency", "times per day",
        unit="/d", low=0, high=48,
    )  # fmt: skip
    ml_per_feed: Number = number(
        "Volume of one feed", "ml/feed", "volume per feed", "vol/feed", "bolus volume",
        "feed volume", "ml per bolus", "volume each feed", unit="mL", low=0, high=3000,
    )  # fmt: skip
    days_per_week: Number = number(
        "Feeding days in a week; blank means every day", "days/week", "days/wk",
        "days per week", "nights per week", "nights/week", unit="d/wk", low=0, high=7,
        blank_means="every day",
    )  # fmt: skip
    feed_ml_per_day: Number = number(
        "Feed volume of a feeding day as the order states it", "total volume", "daily volume",
        "volume/day", "ml/day", "total ml", "total feed volume", "feed ml/day",
        "total daily volume", "tdv", "goal volume", unit="mL/d", low=0, high=10000,
    )  # fmt: skip
    energy_kcal_per_day: Number = number(
        "Energy of a feeding day as the order states it", "kcal", "calories", "kcal/day",
        "energy", "total kcal", "total calories", "cals/day", "kcals per day",
        unit="kcal/d", low=0, high=15000,
    )  # fmt: skip
    start_rate_ml_per_h: Number = number(
        "Rate the feed begins at, where it is to be advanced", "starting rate", "initial rate",
        "start rate", "begin at", unit="mL/h", low=0, high=2000,
    )  # fmt: skip
    step_ml_per_h: Number = number(
        "Step by which the rate is advanced", "advance by", "step", "rate step", "increase by",
        unit="mL/h", low=0, high=500,
    )  # fmt: skip
    step_every_h: Number = number(
        "Hours between steps", "advance every", "step every", "increase every", unit="h",
        low=0, high=240,
    )  # fmt: skip
    dilution: Text = text(
        "How a powder or concentrate is made up, as written", "recipe", "mixing",
        "mixing instructions", "concentration", "strength", "preparation",
    )  # fmt: skip
    additive: Text = text(
        "Item code of what is added to the feed", "modular", "additive code", "add", "modular item",
        identifier=True,
    )  # fmt: skip
    additive_per_day: Number = number(
        "Amount of the additive in a day, in its own base unit (g or mL)", "additive/day",
        "additive per day", "modular per day", "additive amount", unit="g or mL/d", low=0,
        high=2000,
    )  # fmt: skip
    additive_per_100_ml: Number = number(
        "Amount of the additive to each 100 mL of the feed before it is added, as of a fortifier; "
        "the day's amount then goes by the feed",
        "additive/100 ml", "additive per 100 ml", "fortifier/100 ml", "fortifier per 100 ml",
        unit="g or mL/(100 mL)", low=0, high=50,
    )  # fmt: skip
    additive_2: Text = text(
        "Item code of a second additive", "additive 2", "second additive", "modular 2",
        identifier=True,
    )  # fmt: skip
    additive_2_per_day: Number = number(
        "Amount of the second additive in a day, in its own base unit (g or mL)",
        "additive 2/day", "additive 2 per day", "second additive per day", "modular 2 per day",
        unit="g or mL/d", low=0, high=2000,
    )  # fmt: skip
    additive_3: Text = text(
        "Item code of a third additive", "additive 3", "third additive", "modular 3",
        identifier=True,
    )  # fmt: skip
    additive_3_per_day: Number = number(
        "Amount of the third additive in a day, in its own base unit (g or mL)",
        "additive 3/day", "additive 3 per day", "third additive per day", "modular 3 per day",
        unit="g or mL/d", low=0, high=2000,
    )  # fmt: skip
    pump_volume_limit_ml: Number = number(
        "Volume at which the pump is set to stop", "volume limit", "dose limit", "pump limit",
        "volume to be delivered", "vtbd", "dose to deliver", unit="mL", low=0, high=10000,
    )  # fmt: skip
    flush_ml: Number = number(
        "Water of one flush", "flush", "flush volume", "flush ml", "water flush",
        "flush vol", "free water flush", unit="mL", low=0, high=2000,
        written_as={"mL/h": "flush_rate_ml_per_h"},
    )  # fmt: skip
    flush_rate_ml_per_h: Number = number(
        "A flush written as a rate, which can be read in two ways", "flush rate",
        "flush rate ml/hr", "flush ml/h", unit="mL/h", low=0, high=2000,
    )  # fmt: skip
    flush_every_h: Number = number(
        "Hours between flushes", "flush every", "flush interval", "flush frequency", "flush q",
        "flush freq", "flush every h", unit="h", low=0, high=48,
    )  # fmt: skip
    flushes_per_day: Number = number(
        "Flushes in a day as stated", "flushes/day", "flushes", "number of flushes",
        "no of flushes", unit="/d", low=0, high=60,
    )  # fmt: skip
    flush_timing: Text = code(
        "When flushes happen", "flush timing", "flush when", "flush schedule", "flush type",
        values=FLUSH_TIMINGS,
    )  # fmt: skip
    flush_ml_per_day: Number = number(
        "Flush water of a day as the order states it", "total flush", "flush total", "flush/day",
        "flush ml/day", "total flush volume", "daily flush", unit="mL/d", low=0, high=10000,
    )  # fmt: skip
    other_water_ml_per_day: Number = number(
        "Further water ordered in a day; blank means that none is ordered", "other water",
        "extra water", "additional water", "additional free water", "free water", unit="mL/d",
        low=0, high=10000, blank_is=0.0,
    )  # fmt: skip
    iv_fluid_ml_per_day: Number = number(
        "Intravenous fluid in a day; blank means that none is ordered", "iv fluid", "iv fluids",
        "iv ml/day", unit="mL/d", low=0, high=10000, blank_is=0.0,
    )  # fmt: skip
    medicine_passes_per_day: Number = number(
        "Times a day that medicines go down the tube", "medicine passes", "med passes",
        "med passes/day", "medication times", "meds per day", unit="/d", low=0, high=48,
    )  # fmt: skip
    goal_energy_kcal_per_day: Number = number(
        "The order's own energy goal for the feed", "energy goal", "goal kcal", "kcal goal",
        "target kcal", "calorie goal", "energy target", unit="kcal/d", low=0, high=15000,
    )  # fmt: skip
    goal_protein_g_per_day: Number = number(
        "The order's own protein goal", "protein goal", "goal protein", "target protein",
        "protein target", unit="g/d", low=0, high=600,
    )  # fmt: skip
    goal_fluid_ml_per_day: Number = number(
        "The order's own fluid goal", "fluid goal", "goal fluid", "target fluid", "water goal",
        "fluid target", unit="mL/d", low=0, high=20000,
    )  # fmt: skip
    fluid_limit_ml_per_day: Number = number(
        "Most fluid allowed in a day", "fluid limit", "fluid restriction", "max fluid",
        "maximum fluid", "fluid max", unit="mL/d", low=0, high=20000,
    )  # fmt: skip
    fluid_basis: Text = code(
        "What the fluid goal and limit count", "fluid basis", "limit counts", "fluid counts",
        values=FLUID_BASES,
    )  # fmt: skip
    oral_intake: Text = code(
        "What the person eats and drinks", "oral intake", "oral", "po intake", "diet", "eats",
        "po status", values=ORAL_INTAKES,
    )  # fmt: skip
    diagnosis: Text = text("Diagnosis as written", "dx", "diagnoses", "primary diagnosis")
    allergies: Text = text(
        "Allergies as written, separated by ; or ,", "allergy", "allergens", "known allergies"
    )
    pregnant: Text = yes_no("Pregnant or not", "pregnancy", "pregnant y/n")
    gestation_weeks: Number = number(
        "Completed weeks of gestation at birth", "gestation", "gestational age", "ga weeks",
        "born at weeks", unit="wk", low=20, high=45,
    )  # fmt: skip
    mobility: Text = code("How the person moves about", "ambulation", values=MOBILITIES)
    hours_away_from_mains: Number = number(
        "Hours a day that the pump runs on its battery", "hours on battery", "battery hours",
        "hours away from mains", "hours portable", unit="h/d", low=0, high=24,
    )  # fmt: skip
    tube_size: Text = text("Tube's size as written", "fr", "french", "tube fr", "tube size")
    connector: Text = text("Tube's connector as written", "connector type", "hub")
    supplied_by: Text = text(
        "Who delivers, where it is not this programme", "supplier", "supplied by", "vendor"
    )
    order_text: Text = text(
        "The free-text order line", "order text", "order details", "instructions", "directions",
        "sig", "comments", "order line", "order description", "notes",
    )  # fmt: skip
    clinician: Text = text(
        "Clinician who follows the patient", "dietitian", "rd", "clinician name", "provider",
        "prescriber",
    )  # fmt: skip
    site: Text = text("Clinic or site", "clinic", "location", "facility", "branch", "ward")


DELIVERY_STATUSES = {
    "delivered": ("complete", "completed", "shipped", "received", "ok", "done", "closed"),
    "returned": ("return", "rtn", "ret", "sent back"),
    "cancelled": ("canceled", "cancel", "void", "voided", "cxl"),
    "back-ordered": ("backordered", "back ordered", "back order", "b/o", "bo", "backorder"),
}
UNITS = {
    "each": ("ea", "eaches", "piece", "pieces", "pc", "pcs", "unit", "units", "st"),
    "carton": ("cartons", "ctn", "crtn", "brik"),
    "can": ("cans", "tin", "tins", "cn"),
    "bottle": ("bottles", "btl", "bt"),
    "bag": ("bags", "bg", "pouch", "pouches"),
    "case": ("cases", "cs", "cse", "box", "boxes", "bx"),
}


class Deliveries(Sourced):
    """Delivery log: one row per line delivered, returned, cancelled or back-ordered."""

    patient_id: Text = text(
        "Patient's identifier in the programme", *PATIENT_SPELLINGS,
        "account", "ship to patient", identifier=True, essential=True,
    )  # fmt: skip
    delivery_id: Text = text(
        "Delivery's identifier", "delivery", "delivery no", "delivery number", "delivery id",
        "ticket", "shipment", "shipment id", "dispatch no", "despatch no", identifier=True,
    )  # fmt: skip
    shipped_on: Date = date(
        "Day it left", "shipped", "ship date", "date shipped", "dispatched", "dispatch date",
        "despatch date",
    )  # fmt: skip
    delivered_on: Date = date(
        "Day it arrived; for other statuses the day of the event", "delivered", "delivery date",
        "date delivered", "received on", "arrival date", "pod date", "date",
    )  # fmt: skip
    item_code: Text = text(
        "Item's code in the catalogue", "item", "item code", "item no", "item number", "sku",
        "product", "product code", "stock code", identifier=True, essential=True,
    )  # fmt: skip
    item_description: Text = text(
        "Item as described on the line", "description", "item description", "product description",
        "item name",
    )  # fmt: skip
    quantity: Number = number(
        "How many of the unit", "qty", "qty shipped", "qty delivered", "quantity delivered",
        "quantity shipped", "amount", "count", "number", unit="1", low=-100000, high=100000,
        essential=True,
    )  # fmt: skip
    unit: Text = code(
        "What is counted; blank is read as each", "uom", "unit of measure", "units", "u/m", "pack",
        values=UNITS, blank_means="each",
    )  # fmt: skip
    status: Text = code(
        "What became of the line; blank is read as delivered where a delivery day is given",
        "line status", "delivery status", "state", values=DELIVERY_STATUSES,
        blank_means="delivered",
    )  # fmt: skip
    lot: Text = text(
        "Lot or batch", "lot no", "lot number", "batch", "batch no", "batch number", identifier=True
    )
    expires_on: Date = date(
        "Expiry day", "expiry", "expiry date", "exp", "exp date", "expires", "use by", "best before"
    )


KINDS = {
    "formula": ("feed", "enteral formula", "nutrition"),
    "modular": ("module", "additive"),
    "bag_set": ("bag set", "pump set", "feeding set", "pump bag set"),
    "water_bag": ("water bag", "flush bag"),
    "gravity_set": ("gravity set", "gravity bag set"),
    "syringe": ("syringes",),
    "extension_set": ("extension set", "extension"),
    "tube": ("feeding tube", "tubes"),
    "connector": ("connectors", "adapter", "adaptor"),
    "dressing": ("dressings", "gauze"),
    "other": ("misc", "miscellaneous"),
}
FORMULA_FORMS = {
    "closed_system": ("closed system", "closed", "ready to hang", "rth"),
    "ready_to_feed": ("ready to feed", "rtf", "liquid", "ready to use", "carton"),
    "powder": ("powdered",),
    "human_milk": ("human milk", "breast milk", "donor milk"),
    "blended": ("blend", "blenderized", "blenderised", "home blend"),
}


class Catalogue(Sourced):
    """Items the programme delivers: what each holds and how it is packed."""

    item_code: Text = text(
        "Item's code", "item", "item code", "item no", "item number", "sku", "stock code",
        "product code", identifier=True, essential=True, once=True,
    )  # fmt: skip
    description: Text = text(
        "Item in words", "item description", "name", "item name", "product", "product name"
    )
    kind: Text = code(
        "What kind of item", "item kind", "category", "item type", "type", "class", values=KINDS,
        essential=True,
    )  # fmt: skip
    formula_code: Text = text(
        "Formula this item is a pack of; blank means that the item is a formula of its own",
        "formula", "formula code", "pack of", identifier=True,
    )  # fmt: skip
    formula_form: Text = code("Form of the formula", "form", "presentation", values=FORMULA_FORMS)
    kcal_per_ml: Number = number(
        "Energy per mL as fed; blank for powders", "kcal/ml", "energy density", "kcal per ml",
        "caloric density", unit="kcal/mL", low=0.1, high=9,
    )  # fmt: skip
    protein_g_per_l: Number = number(
        "Protein per litre as fed; blank for powders", "protein g/l", "protein", "protein per l",
        unit="g/L", low=0, high=400,
    )  # fmt: skip
    water_ml_per_l: Number = number(
        "Free water per litre as fed", "water ml/l", "free water", "water", "free water ml/l",
        unit="mL/L", low=0, high=1000,
    )  # fmt: skip
    container_ml: Number = number(
        "Volume of one container", "container", "container ml", "pack size", "volume", "size ml",
        unit="mL", low=1, high=20000,
    )  # fmt: skip
    powder_g_per_container: Number = number(
        "Powder in one container", "powder g", "can g", "grams per can", "net weight",
        unit="g", low=1, high=25000,
    )  # fmt: skip
    kcal_per_100g: Number = number(
        "Energy of 100 g of powder", "kcal/100 g", "kcal per 100 g", unit="kcal/(100 g)",
        low=0, high=900,
    )  # fmt: skip
    protein_g_per_100g: Number = number(
        "Protein of 100 g of powder", "protein g/100 g", "protein per 100 g", unit="g/(100 g)",
        low=0, high=100,
    )  # fmt: skip
    displacement_ml_per_g: Number = number(
        "Volume that 1 g of powder adds when made up", "displacement", "displacement ml/g",
        unit="mL/g", low=0, high=2,
    )  # fmt: skip
    scoop_g: Number = number(
        "Powder in a level scoop", "scoop", "scoop g", "g per scoop", unit="g", low=0.5, high=100
    )
    age_from_years: Number = number(
        "Youngest age the label names", "age from", "min age", "from age", "age from years",
        unit="a", low=0, high=120,
    )  # fmt: skip
    age_to_years: Number = number(
        "Age below which the label's range ends; blank means no upper end", "age to", "max age",
        "to age", "age to years", unit="a", low=0, high=120,
    )  # fmt: skip
    allergens: Text = text("Allergens the label names, separated by ; or ,", "contains", "allergen")
    volume_meeting_micronutrients_ml: Number = number(
        "Daily volume that meets micronutrient needs by the label", "rdi volume",
        "micronutrient ml",
        "volume for micronutrients", unit="mL/d", low=50, high=5000,
    )  # fmt: skip
    prime_ml: Number = number(
        "Volume that fills the set before feed arrives", "prime", "priming volume", "prime ml",
        unit="mL", low=0, high=200,
    )  # fmt: skip
    units_per_case: Number = number(
        "Single units in one case", "case size", "units/case", "per case", "case qty", "pack qty",
        "units per case", unit="1", low=1, high=10000, whole=True,
    )  # fmt: skip
    capacity_ml: Number = number(
        "Volume a bag or syringe holds", "capacity", "bag size", "bag capacity", "syringe size",
        unit="mL", low=1, high=10000,
    )  # fmt: skip
    hang_h: Number = number(
        "Longest hang by the label", "hang time", "hang h", "hang time h", unit="h", low=0.5,
        high=72,
    )  # fmt: skip
    opened_storage_h: Number = number(
        "Longest storage once opened, by the label", "opened storage", "opened life",
        "use within h", unit="h", low=0, high=2000,
    )  # fmt: skip
    lead_time_days: Number = number(
        "Days from order to arrival at the warehouse", "lead time", "lead days", unit="d", low=0,
        high=365,
    )  # fmt: skip
    on_hand_units: Number = number(
        "Single units in the warehouse", "on hand", "warehouse stock", "stock", "units on hand",
        unit="1", low=0, high=10000000,
    )  # fmt: skip
    equivalent_to: Text = text(
        "Formula code or item code this item can stand in for, as the programme declares",
        "equivalent", "substitute for", "equivalent to", identifier=True,
    )  # fmt: skip
    billing_code: Text = text("Payer's code for the item", "hcpcs", "tariff code", "bill code")


class Weights(Sourced):
    """Weights and heights measured since the order was written."""

    patient_id: Text = text(
        "Patient's identifier in the programme", *PATIENT_SPELLINGS,
        identifier=True, essential=True,
    )  # fmt: skip
    measured_on: Date = date(
        "Day of measurement", "date", "measured", "date measured", "weighed on", "visit date",
        essential=True,
    )  # fmt: skip
    weight_kg: Number = number(
        "Body weight", "weight", "wt", "weight kg", "wt kg", unit="kg", low=0.3, high=400
    )
    height_cm: Number = number(
        "Height or length", "height", "ht", "height cm", "length", "length cm", unit="cm", low=25,
        high=250,
    )  # fmt: skip


class PumpHistory(Sourced):
    """What a pump recorded as fed and flushed over a span of hours."""

    patient_id: Text = text(
        "Patient's identifier in the programme", *PATIENT_SPELLINGS,
        identifier=True, essential=True,
    )  # fmt: skip
    read_on: Date = date(
        "Day the pump was read", "date read", "read", "reading date", "download date", "date",
        essential=True,
    )  # fmt: skip
    span_h: Number = number(
        "Hours the reading covers, up to the reading", "span", "hours covered", "span hours",
        "period h", "hours", unit="h", low=1, high=10000, essential=True,
    )  # fmt: skip
    fed_ml: Number = number(
        "Feed volume recorded over the span", "fed", "feed delivered", "feed ml", "volume fed",
        "ml fed", unit="mL", low=0, high=1000000,
    )  # fmt: skip
    flushed_ml: Number = number(
        "Water recorded over the span", "flushed", "flush delivered", "flush ml", "water ml",
        "ml flushed", unit="mL", low=0, high=1000000,
    )  # fmt: skip


class StockCounts(Sourced):
    """What was counted at home at the start of a day."""

    patient_id: Text = text(
        "Patient's identifier in the programme", *PATIENT_SPELLINGS,
        identifier=True, essential=True,
    )  # fmt: skip
    counted_on: Date = date(
        "Day of the count, before that day's use", "counted", "count date", "date counted",
        "date", essential=True,
    )  # fmt: skip
    item_code: Text = text(
        "Item's code in the catalogue", "item", "item code", "item no", "sku", "product",
        "stock code", identifier=True, essential=True,
    )  # fmt: skip
    units: Number = number(
        "Single units counted", "count", "qty", "quantity", "units counted", "on hand",
        "qty on hand", unit="1", low=0, high=100000, essential=True,
    )  # fmt: skip


class Absences(Sourced):
    """Days on which the programme does not feed the patient, such as a hospital stay."""

    patient_id: Text = text(
        "Patient's identifier in the programme", *PATIENT_SPELLINGS,
        identifier=True, essential=True,
    )  # fmt: skip
    from_date: Date = date(
        "First day away", "from", "admitted", "admission date", "first day", "away from",
        essential=True,
    )  # fmt: skip
    to_date: Date = date(
        "Last day away; blank means still away", "to", "discharged", "last day", "away to",
        "return date", blank_means="still away",
    )  # fmt: skip
    reason: Text = text("Why, as written", "absence reason", "why")


ANSWERS = {
    "accepted": ("accept", "ok as is"),
    "corrected": ("fixed", "amended"),
    "under_review": ("under review", "reviewing", "pending"),
}


class Responses(Sourced):
    """A clinician's answer to an exception of an earlier run."""

    check: Text = text("Check that raised it", "check id", "check name", essential=True)
    patient_id: Text = text(
        "Patient's identifier in the programme", "patient id", "patient", "pt id",
        identifier=True, essential=True,
    )  # fmt: skip
    order_id: Text = text("Order's identifier", "order id", "order", identifier=True)
    supply_class: Text = text("Supply class", "supply", "class of supply")
    answered_on: Date = date("Day of the answer", "answered", "answer date", "date answered")
    answer: Text = code("The answer", "response", "decision", values=ANSWERS, essential=True)
    until: Date = date("Day until which an accepted exception stays quiet", "accepted until")
    by: Text = text("Who answered", "answered by", "reviewer", "signed")
    note: Text = text("Note", "notes", "comment", "remark")


class Recalls(Sourced):
    """Lots under a recall notice."""

    item_code: Text = text(
        "Item's code in the catalogue", "item", "item code", "item no", "sku", "product",
        identifier=True, essential=True,
    )  # fmt: skip
    lot: Text = text(
        "Lot under recall", "lot no", "lot number", "batch", "batch no", "recalled lot",
        identifier=True, essential=True,
    )  # fmt: skip
    notice: Text = text("Notice as written", "recall notice", "recall", "recall reason")


EXPORT_TABLES: dict[str, type[Sourced]] = {
    "orders": Orders,
    "deliveries": Deliveries,
    "catalogue": Catalogue,
    "weights": Weights,
    "pump_history": PumpHistory,
    "stock_counts": StockCounts,
    "absences": Absences,
    "responses": Responses,
    "recalls": Recalls,
}
REQUIRED_TABLES = ("orders", "deliveries")

-- One row per step of a robot that ended in the days, with the product of its part, in the order of lane and time.
with

known as (
    select
        part,
        arg_max(product, fed_us)  as product
    from parts
    where part is not null
    group by part
)

select
    steps.lane      as lane,
    steps.station   as station,
    steps.nest      as nest,
    steps.at        as at,
    steps.step      as step,
    known.product   as product,
    steps.start_us  as start_us,
    steps.end_us    as end_us
from steps
left join known
    on steps.part = known.part
